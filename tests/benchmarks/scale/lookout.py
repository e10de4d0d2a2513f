"""The lookout's first page for each of 200 operators with a million units, against the best single statement for its rows.

Ours is a request over HTTP to the product's own server, from the sending of it to the first byte of the answer, sign-in,
totals, crews and map included. The peer is a superuser who gets the same rows and nothing else by one prepared
statement. Every operator is asked in turn, the order shuffled, the two sides one right after the other; the percentiles
are over the operators, so the 99th is that of the largest. The two worlds take turns, a round each. Both sides must give the same sites in the same order.
"""

from __future__ import annotations

import http.client
import random
import statistics
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import numpy as np
import psycopg
from django.conf import settings
from django.db import connections
from django.test import Client
from django.test.utils import override_settings

from accounts import clock
from accounts.commands import operators
from accounts.ids import uuid7
from accounts.models import User
from accounts.permissions import Role, system_actor
from servicing.commands.sweeps import sweep
from servicing.pages.lookout.page import MOST_ROWS
from tests.benchmarks.pages.serving import PLAIN, Server, get, sites_of
from tests.benchmarks.pages.statement import BEST
from tests.benchmarks.rounds import SEED
from tests.benchmarks.scale.world import NIGHT, World, make_world, use

ROUNDS = 3
RATIO, FLAT = 3, 1.25
SMALL = 10_000


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 1,000,000 units, each operator once a round; else 50,000, three times."""
    main = str(connections["default"].settings_dict["NAME"])
    connections.close_all()
    sizes, times = ([SMALL, 1_000_000], 1) if full else ([SMALL, 50_000], 3)
    settings.SECRET_KEY = "only the benchmark signs with these words, and nobody else"
    clock.set_to(NIGHT)  # of the whole process: the server has threads of its own
    worlds = [make_world(servers, f"world_{units}", units, main) for units in sizes]
    with override_settings(**PLAIN), Server() as port, ExitStack() as stack:
        sides = [_Side(world, port, max(times, 20 // len(world.operators)), stack) for world in worlds]
        for number in range(ROUNDS):
            for side in sides:
                side.go(number)
    connections.close_all()
    taken = {side.taken.units: side.taken for side in sides}
    small, large = taken[SMALL], taken[sizes[-1]]
    yield _percentiles(large)
    yield _flat(small, large)


@dataclass(slots=True)
class _Taken:
    """Seconds of each request, by round, ours and the peer's; ``rows`` that both gave alike."""

    units: int
    operators: int
    rows: int
    ours: list[list[float]]
    peer: list[list[float]]

    def microseconds_a_unit(self) -> list[float]:
        """Of each round, over all operators."""
        asked = len(self.ours[0]) / self.operators * self.units
        return [sum(one) / asked * 1e6 for one in self.ours]


class _Asker:
    """One operator's dispatcher, signed in, and the peer's session."""

    def __init__(self, superuser: psycopg.Connection[Any], operator_id: UUID) -> None:
        self._superuser, self._operator_id = superuser, operator_id
        row = superuser.execute(
            "SELECT slug, zone FROM accounts_operator WHERE id = %s", [operator_id]
        ).fetchone()
        assert row
        self._path, self._zone = f"/{row[0]}/", row[1]
        self._cookie = {"Cookie": f"sid={_sign_in(operator_id, row[0])}"}

    def ours(self, server: http.client.HTTPConnection) -> tuple[float, bytes]:
        began = time.perf_counter()
        status, body, first = get(server, self._path, self._cookie)
        assert status == 200, status
        return first - began, body

    def peer(self) -> tuple[float, list[Any]]:
        values = {"operator": self._operator_id, "most": MOST_ROWS, "zone": self._zone}
        values["today"] = clock.today(self._zone)
        began = time.perf_counter()
        rows = self._superuser.execute(BEST, values, prepare=True).fetchall()
        return time.perf_counter() - began, rows

    def check(self, server: http.client.HTTPConnection) -> int:
        """That both give the same sites in the same order, with the same dry unit-days; how many."""
        ours = sites_of(self.ours(server)[1].decode())
        theirs = [(row[0], str(row[3] or "")) for row in self.peer()[1]]
        assert ours == theirs, (self._path, ours[:5], theirs[:5])
        return len(ours)


def _sign_in(operator_id: UUID, slug: str) -> str:
    user = User(id=uuid7(), email=f"dispatcher@{slug}.example", name="Dispatcher", password="!")
    user.save(force_insert=True)
    operators.add_member(
        actor=system_actor(operator_id), user_id=user.id, role=Role.DISPATCHER, name=user.name, crew_id=None
    )
    client = Client()
    client.force_login(user)
    return client.cookies["sid"].value


class _Side:
    """One world with every operator's dispatcher; each of its rounds asks over a connection of its own."""

    def __init__(self, world: World, port: int, times: int, stack: ExitStack) -> None:
        self._world, self._port, self._times, self._draw = world, port, times, random.Random(SEED)
        self._superuser = stack.enter_context(psycopg.connect(world.url, autocommit=True))
        use(world.database)
        for operator_id in world.operators:
            sweep(actor=system_actor(operator_id))
        self._superuser.execute("VACUUM ANALYZE servicing_alert")
        self._askers = [_Asker(self._superuser, operator_id) for operator_id in world.operators]
        self.taken = _Taken(world.units, len(self._askers), 0, [], [])

    def go(self, number: int) -> None:
        """Each operator asked so many times; before that once, unmeasured, for the answer and to warm both sides."""
        use(self._world.database)
        server = http.client.HTTPConnection("127.0.0.1", self._port)
        rows = sum(asker.check(server) for asker in self._askers)
        asked = self._askers * self._times
        self._draw.shuffle(asked)
        both = [_ask(asker, server, ours_first=self._draw.random() < 0.5) for asker in asked]
        server.close()
        self.taken.rows = rows
        self.taken.ours.append([one for one, _ in both])
        self.taken.peer.append([other for _, other in both])
        sides = (("ours", self.taken.ours), ("peer", self.taken.peer))
        told = ", ".join(f"{name} {_at(side[-1], 99) * 1e3:,.0f} ms" for name, side in sides)
        units = f"{self._world.units:,} units"
        print(f"bench: {units}, round {number + 1} of {ROUNDS}, p99: {told}", file=sys.stderr)


def _ask(asker: _Asker, server: http.client.HTTPConnection, *, ours_first: bool) -> tuple[float, float]:
    if ours_first:
        return asker.ours(server)[0], asker.peer()[0]
    peer = asker.peer()[0]
    return asker.ours(server)[0], peer


def _at(seconds: Sequence[float], percent: float) -> float:
    """A percentile as one of the measured values."""
    return float(np.percentile(seconds, percent, method="inverted_cdf"))


def _percentiles(taken: _Taken) -> dict[str, Any]:
    ratios = {
        percent: [
            _at(one, percent) / _at(other, percent) for one, other in zip(taken.ours, taken.peer, strict=True)
        ]
        for percent in (50, 99)
    }
    ms = {
        f"{name}_p{percent}_ms": round(statistics.median(_at(one, percent) for one in side) * 1e3, 1)
        for percent in (50, 99)
        for name, side in (("ours", taken.ours), ("peer", taken.peer))
    }
    ratio = statistics.median(ratios[99])
    return {
        "name": "scale.lookout_p99",
        "value": ms["ours_p99_ms"],
        "unit": "ms",
        "against": "the 99th percentile of one prepared statement for the same rows, by a superuser",
        "ratio": round(ratio, 3),
        "ratios": [round(one, 3) for one in ratios[99]],
        "ratio_is": "our time over theirs",
        "target": RATIO,
        "ok": ratio <= RATIO and taken.rows > 0,
        "rounds": ROUNDS,
        "n": taken.units,
        "operators": taken.operators,
        "rows_alike": taken.rows,
        "p50_ratio": round(statistics.median(ratios[50]), 3),
        "figures": ms,
    }


def _flat(small: _Taken, large: _Taken) -> dict[str, Any]:
    ours, base = large.microseconds_a_unit(), small.microseconds_a_unit()
    ratio = statistics.median(ours) / statistics.median(base)
    return {
        "name": f"scale.lookout_flat_{large.units}",
        "value": round(statistics.median(ours), 2),
        "unit": "us/unit",
        "against": f"the same in a database of {small.units:,} units",
        "ratio": round(ratio, 3),
        "ratios": [round(one / other, 3) for one, other in zip(ours, base, strict=True)],
        "ratio_is": "our time over theirs",
        "target": FLAT,
        "ok": ratio <= FLAT,
        "rounds": ROUNDS,
        "n": large.units,
    }
