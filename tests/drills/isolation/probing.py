"""A rival's ids at every address of the API: each is answered as an absent one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import uuid4

from accounts import clock
from tests.api.callers import api_routes, live, names_in, signed_in, view_of
from tests.cast import NOON, new_cast
from tests.integration.serving import as_in_the_tests


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    as_in_the_tests()
    with clock.playing(NOON):
        north, south = new_cast("north"), new_cast("south")
        theirs, owner = live(south), signed_in(north)
        probes = leaks = 0
        for address, route in api_routes():
            if not names_in(route) or "GET" not in getattr(view_of(route), "permissions", ()):
                continue
            foreign, absent = (
                owner.get("/" + _filled(address, route, ids))
                for ids in (theirs, dict.fromkeys(theirs, uuid4()))
            )
            probes += 1
            leaks += (foreign.status_code, absent.status_code) != (404, 404)
    yield {
        "name": "isolation.probing",
        "figures": {"probes": probes, "leaks": leaks},
        "target": "0 leaks",
        "ok": probes > 0 and not leaks,
    }


def _filled(address: str, route: Any, ids: Any) -> str:
    for name in names_in(route):
        address = address.replace(f"<uuid:{name}>", str(ids[name])).replace(f"<str:{name}>", str(ids[name]))
    return address
