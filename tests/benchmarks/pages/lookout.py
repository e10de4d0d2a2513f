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
from django.test.testcases import LiveServerThread, QuietWSGIRequestHandler
from django.test.utils import override_settings

from accounts import clock
from accounts.permissions import Role
from servicing.pages.lookout.page import MOST_ROWS
from tests.benchmarks.pages.world import Size, new_world
from tests.benchmarks.rounds import interleave, times_as_long
from tests.cast import NOON, Cast

SIZE = Size(sites=2_000, units=10, late=506, in_grace=300)
RIVAL = Size(sites=500, units=10, late=100, in_grace=50)
FIRST_BYTE, POLL = 4, 4

# On plain HTTP, as in a trial.
PLAIN = {
    "SECURE_SSL_REDIRECT": False,
    "SESSION_COOKIE_SECURE": False,
    "CSRF_COOKIE_SECURE": False,
    "SESSION_COOKIE_NAME": "sid",
    "CSRF_COOKIE_NAME": "csrf",
    "ALLOWED_HOSTS": ["127.0.0.1"],
}


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10 rounds of 20 pages and 400 polls; else 5 of 4 and 100."""
    rounds, pages, polls = (10, 20, 400) if full else (5, 4, 100)
    settings.SECRET_KEY = "only the benchmark signs with these words, and nobody else"
    clock.set_to(NOON)  # of the whole process: the server has threads of its own
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser, override_settings(**PLAIN):
        new_world(superuser, "rival", RIVAL)
        cast = new_world(superuser, "fleet", SIZE)
        superuser.execute("VACUUM ANALYZE")
        with _Server() as port:
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


# The product serves its own files.
_own_files: Any = lambda handler: handler  # noqa: E731


class _Server:
    def __enter__(self) -> int:
        # As gunicorn does: else an answer waits for the receipt of its head.
        QuietWSGIRequestHandler.disable_nagle_algorithm = True
        self._thread = LiveServerThread("127.0.0.1", _own_files)
        self._thread.daemon = True
        self._thread.start()
        self._thread.is_ready.wait()
        if self._thread.error:
            raise self._thread.error
        return self._thread.port

    def __exit__(self, *_: object) -> None:
        self._thread.terminate()


class _Sides:
    def __init__(self, superuser: psycopg.Connection[Any], cast: Cast, port: int) -> None:
        client = Client()
        client.force_login(cast.users[Role.DISPATCHER])
        self._superuser, self._operator_id = superuser, cast.operator.id
        self._cookie = {"Cookie": f"sid={client.cookies['sid'].value}"}
        self._path = f"/{cast.operator.slug}/"
        self._server = http.client.HTTPConnection("127.0.0.1", port)

    def _get(self, path: str, headers: dict[str, str]) -> tuple[int, bytes, float]:
        """Status, body, and when the answer's first byte was there."""
        self._server.request("GET", path, headers=headers)
        answer = self._server.getresponse()
        first = time.perf_counter()
        return answer.status, answer.read(), first

    def check(self) -> tuple[int, int]:
        """That both sides give the same sites in the same order, with the same dry unit-days; units and sites past grace."""
        status, body, _ = self._get(self._path, self._cookie)
        assert status == 200, status
        page = body.decode()
        ours = re.findall(
            r'data-site="([^"]+)".*?</td>\s*<td role="cell" class="n wide">(\d*)</td>', page, re.DOTALL
        )
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
        values = {"operator": self._operator_id, "most": MOST_ROWS, "today": clock.today("Europe/Berlin")}
        return self._superuser.execute(_BEST, values, prepare=True).fetchall()

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
_BEST = """
WITH unit AS (
    SELECT o.site_id, o.dry_on, o.dry_soon_from, o.drift_since_on, o.wick_watch_from, s.due_on, s.opens_on, s.past_grace_from,
        s.long_past_from, f.leaks, least(CASE WHEN o.dry_on <= %(today)s THEN o.dry_on END, f.down_on) AS out_since
    FROM servicing_outlook o
    LEFT JOIN servicing_duesegment s ON s.operator_id = o.operator_id AND s.unit_id = o.unit_id AND s.starts_on <= %(today)s
        AND (s.ends_before IS NULL OR %(today)s < s.ends_before)
    LEFT JOIN (
        SELECT u.unit_id, (u.history -> 'open_faults') ? 'ELU' AS leaks,
            (SELECT min((value #>> '{}')::timestamptz AT TIME ZONE 'Europe/Berlin')::date
             FROM jsonb_each(u.history -> 'open_faults') WHERE key IN ('PLU', 'NOO', 'MIS')) AS down_on
        FROM servicing_unitstate u
        WHERE u.operator_id = %(operator)s AND u.status IN ('down', 'degraded')
    ) f ON f.unit_id = o.unit_id
    WHERE o.operator_id = %(operator)s
), harm AS (
    SELECT site_id, count(*) FILTER (WHERE leaks) AS leaks,
        count(out_since) FILTER (WHERE opens_on IS NOT NULL) AS "out",
        coalesce(sum(%(today)s - out_since + 1) FILTER (WHERE opens_on IS NOT NULL), 0) AS out_unit_days,
        min(out_since) FILTER (WHERE opens_on IS NOT NULL) AS out_since,
        count(*) FILTER (WHERE opens_on IS NOT NULL AND dry_soon_from <= %(today)s AND out_since IS NULL) AS soon,
        min(dry_on) FILTER (WHERE opens_on IS NOT NULL AND dry_soon_from <= %(today)s AND out_since IS NULL) AS soon_on,
        count(*) FILTER (WHERE opens_on IS NOT NULL AND drift_since_on <= %(today)s AND out_since IS NULL) AS off,
        count(*) FILTER (WHERE long_past_from <= %(today)s) AS long_past,
        count(*) FILTER (WHERE past_grace_from <= %(today)s AND %(today)s < long_past_from) AS past_grace,
        count(*) FILTER (WHERE opens_on <= %(today)s AND %(today)s < past_grace_from) AS in_grace,
        count(*) FILTER (WHERE opens_on IS NOT NULL AND wick_watch_from <= %(today)s) AS watched,
        count(opens_on) AS open, min(due_on) AS due_on
    FROM unit GROUP BY site_id
), report AS (
    SELECT site_id, count(*) FILTER (WHERE kind IN ('leak', 'chemical')) AS safety,
        count(*) FILTER (WHERE kind NOT IN ('leak', 'chemical')) AS other
    FROM servicing_report WHERE operator_id = %(operator)s AND site_id IS NOT NULL GROUP BY site_id
), refused AS (
    SELECT v.site_id, max(v.day) AS day FROM servicing_visit v
    WHERE v.operator_id = %(operator)s AND v.outcome = 'not_admitted' AND NOT EXISTS (
        SELECT FROM servicing_visit l WHERE l.operator_id = v.operator_id AND l.site_id = v.site_id AND l.day >= v.day
            AND l.occurred_at > v.occurred_at AND l.outcome IN ('served', 'part_served'))
    GROUP BY v.site_id
), worst AS (
    SELECT site.id, site.code, site.name, site.area, site.crew_id, h.*, r.safety, r.other, refused.day AS not_admitted_on
    FROM accounts_site site
    LEFT JOIN harm h ON h.site_id = site.id
    LEFT JOIN report r ON r.site_id = site.id
    LEFT JOIN refused ON refused.site_id = site.id
    WHERE site.operator_id = %(operator)s AND (h.leaks > 0 OR h."out" > 0 OR h.soon > 0 OR h.off > 0 OR h.long_past > 0
        OR h.past_grace > 0 OR h.in_grace > 0 OR r.site_id IS NOT NULL OR refused.site_id IS NOT NULL)
    ORDER BY coalesce(r.safety, 0) + coalesce(h.leaks, 0) DESC, coalesce(h.out_unit_days, 0) DESC, coalesce(h.soon, 0) DESC,
        coalesce(h.off, 0) DESC, coalesce(h.long_past, 0) DESC, coalesce(h.past_grace, 0) DESC, coalesce(r.other, 0) DESC,
        refused.site_id IS NOT NULL DESC, coalesce(h.in_grace, 0) DESC, coalesce(h.watched, 0) DESC, site.code
    LIMIT %(most)s
)
SELECT w.code, w.name, w.area, w.out_unit_days, w.leaks, w."out", w.out_since, w.soon, w.soon_on, w.off, w.long_past,
    w.past_grace, w.in_grace, w.watched, w.open, w.due_on, w.safety, w.other, w.not_admitted_on, crew.name,
    plan.id, plan.day, plan.begins_at, planned_crew.name, note.text, note.notes, unnoted.alerts
FROM worst w
LEFT JOIN accounts_crew crew ON crew.operator_id = %(operator)s AND crew.id = w.crew_id
LEFT JOIN LATERAL (
    SELECT p.id, p.day, p.begins_at, p.crew_id FROM servicing_plannedvisit p
    WHERE p.operator_id = %(operator)s AND p.site_id = w.id AND p.day >= %(today)s AND p.called_off_at IS NULL
    ORDER BY p.day LIMIT 1) plan ON true
LEFT JOIN accounts_crew planned_crew ON planned_crew.operator_id = %(operator)s AND planned_crew.id = plan.crew_id
LEFT JOIN LATERAL (
    SELECT max(n.text) AS text, count(*) AS notes FROM servicing_sitenote n
    WHERE n.operator_id = %(operator)s AND n.site_id = w.id AND n.struck_at IS NULL) note ON true
LEFT JOIN LATERAL (
    SELECT count(*) AS alerts FROM servicing_alert a
    WHERE a.operator_id = %(operator)s AND a.site_id = w.id AND a.closed_at IS NULL AND a.acknowledged_at IS NULL) unnoted ON true
ORDER BY coalesce(w.safety, 0) + coalesce(w.leaks, 0) DESC, coalesce(w.out_unit_days, 0) DESC, coalesce(w.soon, 0) DESC,
    coalesce(w.off, 0) DESC, coalesce(w.long_past, 0) DESC, coalesce(w.past_grace, 0) DESC, coalesce(w.other, 0) DESC,
    w.not_admitted_on IS NOT NULL DESC, coalesce(w.in_grace, 0) DESC, coalesce(w.watched, 0) DESC, w.code
"""
