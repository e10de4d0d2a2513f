"""The lookout of 20,000 units with 500 sites past grace: its first byte against the best single statement for its rows.

Ours is a request over HTTP to the product's own server, from the sending of it to the first byte of the answer: sign-in,
rows, totals, crews, hours, map and all. The peer is a superuser whom no policy holds, and who gets the same rows with the same columns, and
nothing else, by one statement that is prepared. Both give the same sites in the same order. An unchanged poll is held
against a request that reads nothing and, beside it, the one row read by a prepared statement.
"""

from __future__ import annotations

import http.client
import re
import time
from collections.abc import Iterator
from typing import Any

import psycopg
from django.conf import settings
from django.test import Client
from django.test.utils import override_settings

from accounts import clock
from accounts.permissions import Role
from servicing.pages.lookout.page import MOST_ROWS
from tests.benchmarks.pages.serving import PLAIN, Server, get, sites_of
from tests.benchmarks.pages.statement import BEST
from tests.benchmarks.pages.world import Size, new_world
from tests.benchmarks.rounds import interleave, times_as_long
from tests.cast import NOON, Cast

SIZE = Size(sites=2_000, units=10, late=506, in_grace=300)
RIVAL = Size(sites=500, units=10, late=100, in_grace=50)
FIRST_BYTE, POLL = 4, 4


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10 rounds of 20 pages and 400 polls; else 5 of 4 and 100."""
    rounds, pages, polls = (10, 20, 400) if full else (5, 4, 100)
    settings.SECRET_KEY = "only the benchmark signs with these words, and nobody else"
    clock.set_to(NOON)  # of the whole process: the server has threads of its own
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser, override_settings(**PLAIN):
        new_world(superuser, "rival", RIVAL)
        cast = new_world(superuser, "fleet", SIZE)
        superuser.execute("VACUUM ANALYZE")
        with Server() as port:
            sides = _Sides(superuser, cast, port)
            units, late = sides.check()
            yield _first_byte(sides, rounds, pages) | {"units": units, "past_grace": late}
            yield _poll(sides, rounds, polls)


def _first_byte(sides: _Sides, rounds: int, pages: int) -> dict[str, Any]:
    speeds = interleave(
        {"ours": lambda _: sides.pages(pages), "peer": lambda _: sides.statements(pages)},
        rounds=rounds,
        count=pages,
        unit="pages/s",
    )
    return times_as_long(
        "pages.lookout_first_byte",
        speeds["ours"],
        "one prepared statement for the same rows, by a superuser",
        speeds["peer"],
        target=FIRST_BYTE,
        n=rounds * pages,
        unit="pages/s",
    )


def _poll(sides: _Sides, rounds: int, polls: int) -> dict[str, Any]:
    speeds = interleave(
        {"ours": lambda _: sides.polls(polls), "peer": lambda _: sides.reads(polls)},
        rounds=rounds,
        count=polls,
        unit="polls/s",
    )
    return times_as_long(
        "pages.lookout_poll",
        speeds["ours"],
        "a request that reads nothing, and the one row by a prepared statement",
        speeds["peer"],
        target=POLL,
        n=rounds * polls,
        unit="polls/s",
    )


class _Sides:
    def __init__(self, superuser: psycopg.Connection[Any], cast: Cast, port: int) -> None:
        client = Client()
        client.force_login(cast.users[Role.DISPATCHER])
        self._superuser, self._operator_id = superuser, cast.operator.id
        self._cookie = {"Cookie": f"sid={client.cookies['sid'].value}"}
        self._path = f"/{cast.operator.slug}/"
        self._server = http.client.HTTPConnection("127.0.0.1", port)

    def _get(self, path: str, headers: dict[str, str]) -> tuple[int, bytes, float]:
        return get(self._server, path, headers)

    def check(self) -> tuple[int, int]:
        """That both sides give the same sites in the same order, with the same dry unit-days; units and sites past grace."""
        status, body, _ = self._get(self._path, self._cookie)
        assert status == 200, status
        page = body.decode()
        ours = sites_of(page)
        theirs = [(row[0], str(row[3] or "")) for row in self._statement()]
        assert ours == theirs, (ours[:5], theirs[:5])
        assert len(ours) == MOST_ROWS
        self._poll = {"If-None-Match": _of(page, "etag"), "Lookout-Token": _of(page, "token")}
        assert self._get(f"{self._path}lookout/changes", self._poll)[0] == 304
        (units,) = self._superuser.execute(
            "SELECT count(*) FROM servicing_outlook WHERE operator_id = %s", [self._operator_id]
        ).fetchone() or (0,)
        (late,) = re.findall(r'about=late">([\d,]+) visits', page)
        return units, int(late)

    def pages(self, number: int) -> float:
        return self._each(number, lambda: self._get(self._path, self._cookie))

    def polls(self, number: int) -> float:
        return self._each(number, lambda: self._get(f"{self._path}lookout/changes", self._poll))

    def statements(self, number: int) -> float:
        return self._each(number, self._statement)

    def reads(self, number: int) -> float:
        def read() -> Any:
            self._get("/healthz", {})
            return self._superuser.execute(_ROW, [self._operator_id], prepare=True).fetchone()

        return self._each(number, read)

    def _statement(self) -> list[Any]:
        zone = "Europe/Berlin"
        values = {"operator": self._operator_id, "most": MOST_ROWS, "zone": zone, "today": clock.today(zone)}
        return self._superuser.execute(BEST, values, prepare=True).fetchall()

    def _each(self, number: int, act: Any) -> float:
        """How many a second, each until its first byte (or its rows) is there."""
        took = 0.0
        for _ in range(number):
            began = time.perf_counter()
            done = act()
            ended = done[2] if isinstance(done, tuple) and len(done) == 3 else time.perf_counter()
            took += ended - began
        return number / took


def _of(page: str, name: str) -> str:
    (found,) = re.findall(rf'data-{name}="([^"]+)"', page)
    return found.replace("&quot;", '"')


_ROW = "SELECT count, changed_at FROM servicing_pulse WHERE operator_id = %s AND page = 'lookout'"
