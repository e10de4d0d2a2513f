"""Forms of pages, filled in as a person would, and sent as their browser does."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile

from accounts.ids import uuid7
from accounts.permissions import Role
from tests.cast import Cast
from tests.drills.workers.faults.trying import Path
from tests.pages.visitors import Visitor, signed_in

_INPUT = re.compile(r"<input\b[^>]*>")
_SAID = re.compile(r'\b(type|name|value)="([^"]*)"')
_TYPED = {"hidden", "text", "date", "datetime-local", "number"}
ROWS = "code,name,country\nC31,Ferry Office,DE\nC32,Pier Office,DE\n"
# What a second sending is answered when the first was done: that it is there already.
THERE = frozenset({409, 422})


def page_paths(cast: Cast) -> Iterator[tuple[str, Path]]:
    """A choice: what brings its own id with the form, what names a code of its own, and what comes as a file."""
    home = f"/{cast.operator.slug}"
    codes = {f"{unit.code}-done": "exchanged" for unit in cast.units}
    wicks = {f"{unit.code}-wick": "good" for unit in cast.units}
    crew = {"crew": str(cast.crew.id)}
    customer = {"code": "C21", "name": "Fen Arena", "country": "DE", "address": "Dock 4"}
    pause = {"starts_on": "2026-12-07", "ends_on": "", "billing": "half"}
    payment = {"amount": "11.00", "currency": "EUR", "received_on": "2026-06-12", "spread": "oldest"}
    payment |= {"reference": "On account", "method": "transfer"}
    yield _form("record a visit", cast, f"{home}/sites/S1/visit", {**codes, **wicks, **crew})
    yield _form("report a leak", cast, f"{home}/sites/S1/report", {"report": str(uuid7()), "kind": "leak"})
    yield _form("begin a standstill", cast, f"{home}/sites/S1/standstill", pause)
    yield _form("record a payment", cast, f"{home}/money/customers/C1/payment", payment)
    yield _form("add a customer", cast, f"{home}/set-up/new-customer", customer, also=THERE)
    yield _import(cast, f"{home}/set-up/import")


def _form(
    name: str, cast: Cast, path: str, values: dict[str, str], *, also: frozenset[int] = frozenset()
) -> tuple[str, Path]:
    visitor = _visitor(cast)
    # A page that only takes a form has it on another.
    shown = visitor.get(path)
    assert shown.status_code in {200, 405}, (path, shown.status_code)
    sent = {**_as_shown(shown.content.decode()), **values}
    return name, Path(name, _sending(visitor, path, sent), also=also)


def _import(cast: Cast, path: str) -> tuple[str, Path]:
    """The rows are looked at first; what is sent then is what the look gave."""
    visitor = _visitor(cast)
    file = SimpleUploadedFile("rows.csv", ROWS.encode(), content_type="text/csv")
    looked = _as_shown(visitor.submit(path, kind="customers", file=file).content.decode())
    return "import rows", Path("import rows", _sending(visitor, f"{path}/rows", {"packed": looked["packed"]}))


def _visitor(cast: Cast) -> Visitor:
    visitor = signed_in(cast, Role.OWNER)
    visitor.raise_request_exception = False
    visitor.get("/sign-in/")  # the token of its forms
    return visitor


def _sending(visitor: Visitor, path: str, sent: dict[str, Any]) -> Callable[[], int]:
    def send() -> int:
        return int(visitor.submit(path, **sent).status_code)

    return send


def _as_shown(page: str) -> dict[str, str]:
    """The fields that a page's forms have filled in already."""
    found = {}
    for field in _INPUT.findall(page):
        said = dict(_SAID.findall(field))
        if said.get("type") in _TYPED and said.get("name") and said.get("value"):
            found[said["name"]] = html.unescape(said["value"])
    found.pop("csrfmiddlewaretoken", None)
    return found
