"""A page of 500 changes over HTTP against one prepared statement whose JSON PostgreSQL builds itself.

Ours is a program's request to the product's own web server, in processes of its own, from the sending to the last byte:
token, limits, permissions, one snapshot, objects, tags and links. The peer is a superuser whom no policy holds, in the
same database, and gets the same rows with the same values, and nothing else. Then eight programs read at once.
"""

from __future__ import annotations

import http.client
import json
import socket
import statistics
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

import psycopg

from accounts.commands import clients
from accounts.permissions import PROGRAM_SCOPES, system_actor
from config import supervisor
from tests.benchmarks.feed.peer import comparable, page
from tests.benchmarks.feed.world import feed_world
from tests.benchmarks.rounds import interleave, times_as_long

LIMIT = 500
READERS = 8
MOST = 4
PEER = "one prepared statement for the same rows as JSON built by PostgreSQL, by a superuser"
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
UNBOUND = "6000000/1000000"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000 sites, 10 rounds of 40 pages, 50 pages a reader; else 2,000 sites, 5 of 10, and 10."""
    sites, rounds, pages, each = (10_000, 10, 40, 50) if full else (2_000, 5, 10, 10)
    port = _free_port()
    env = {
        **servers.environment(),
        "WICKROUND_HTTPS": "no",
        "WICKROUND_SECRET_KEY": "the benchmark signs with these words",
        **{f"WICKROUND_RATE_{name}": UNBOUND for name in ("CREDENTIAL", "OPERATOR", "ADDRESS", "CLIENT")},
    }
    with (
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
        supervisor.Supervisor(env) as web,
    ):
        feed_world(superuser, 100)  # a rival with the same things
        operator_id = feed_world(superuser, sites)
        superuser.execute("VACUUM ANALYZE")
        web.start(supervisor.web(port))
        web.wait_for_web(port)
        yield _latency(superuser, _Program(port, operator_id), (rounds, pages, each))


def _latency(
    superuser: psycopg.Connection[Any], program: _Program, sizes: tuple[int, int, int]
) -> dict[str, Any]:
    rounds, pages, each = sizes
    tokens, differing, kinds = _compare(superuser, program)

    def ours(_: int) -> None:
        for number in range(pages):
            program.get(tokens[number % len(tokens)])

    def theirs(_: int) -> None:
        for number in range(pages):
            page(superuser, program.operator_id, number % len(tokens) * LIMIT, LIMIT)

    speeds = interleave({"ours": ours, "peer": theirs}, rounds=rounds, count=pages, unit="pages/s")
    line = times_as_long(
        "feed.latency", speeds["ours"], PEER, speeds["peer"], target=MOST, n=rounds * pages, unit="pages/s"
    )
    crowd = _crowd(program, tokens, each)
    return line | {
        "ms_a_page": round(1_000 / statistics.median(speeds["ours"]), 1),
        "peer_ms_a_page": round(1_000 / statistics.median(speeds["peer"]), 1),
        "changes_a_page": LIMIT,
        "pages_of_the_feed": len(tokens),
        "kinds": kinds,
        "pages_differing": differing,
        f"p50_ms_of_{READERS}_readers": crowd[0],
        f"p99_ms_of_{READERS}_readers": crowd[1],
        "over": "HTTP, gunicorn",
        "ok": line["ok"] and not differing and len(tokens) > 0,
    }


def _compare(superuser: psycopg.Connection[Any], program: _Program) -> tuple[list[str], int, dict[str, int]]:
    """The tokens before each full page, how many pages have other rows than the peer's, and what the feed holds."""
    tokens, differing, token = [], 0, ""
    kinds: dict[str, int] = {}
    for number in range(1_000_000):
        ours = json.loads(program.get(token))
        theirs = json.loads(page(superuser, program.operator_id, number * LIMIT, LIMIT))
        for change in theirs:
            kinds[change["kind"]] = kinds.get(change["kind"], 0) + 1
        differing += comparable(ours["changes"]) != comparable(theirs)
        if len(ours["changes"]) == LIMIT:
            tokens.append(token)
        token = ours["next"]
        if not ours["more"]:
            break
    return tokens, differing, kinds


def _crowd(program: _Program, tokens: list[str], each: int) -> tuple[float, float]:
    """So many readers at once, each with a connection of its own: the median and the 99th percentile, in ms."""

    def read(number: int) -> list[float]:
        own, took = program.another(), []
        for at in range(each):
            began = time.perf_counter()
            own.get(tokens[(number + at) % len(tokens)])
            took.append(1_000 * (time.perf_counter() - began))
        return took

    with ThreadPoolExecutor(READERS) as pool:
        took = sorted(one for part in pool.map(read, range(READERS)) for one in part)
    cuts = statistics.quantiles(took, n=100, method="inclusive")
    return round(cuts[49], 1), round(cuts[98], 1)


class _Program:
    """A program with a token and one connection that is kept."""

    def __init__(self, port: int, operator_id: UUID, token: str = "") -> None:
        self.port, self.operator_id = port, operator_id
        self.server = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self.token = token or self._token()

    def another(self) -> _Program:
        return _Program(self.port, self.operator_id, self.token)

    def get(self, after: str) -> bytes:
        asked = urlencode({"limit": LIMIT, **({"after": after} if after else {})})
        self.server.request(
            "GET", f"/api/v1/accounting/changes?{asked}", headers={"Authorization": f"Bearer {self.token}"}
        )
        answer = self.server.getresponse()
        body = answer.read()
        assert answer.status == http.HTTPStatus.OK, body
        return body

    def _token(self) -> str:
        client, secret = clients.make_client(
            actor=system_actor(self.operator_id), name="Books", scopes=PROGRAM_SCOPES
        )
        asked = {"grant_type": "client_credentials", "client_id": client.client_id, "client_secret": secret}
        self.server.request("POST", "/oauth/token", urlencode(asked), FORM)
        answer = self.server.getresponse()
        said = json.loads(answer.read())
        return str(said["access_token"])


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
