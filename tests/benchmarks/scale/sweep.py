"""The night's sweep of every operator of a million units, against one statement that does it for all of them at once.

Ours is a job an operator, done by the task a worker runs, one after another in one process, under its policies, keys and
the audit. The peer is a superuser whom no policy holds, with more memory to sort in, and a table of alerts with the same
keys and indexes but nothing that they refer to. Between two nights a thirtieth of the units is served and forecasts
move. After each night both tables must say the same, row by row. The same jobs over 10,000 units say whether a unit
costs more where there are many. A sweep in the minute after, when nothing has changed, is held against the night's.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import datetime, timedelta
from typing import Any

import psycopg
from django.db import connections

from accounts import clock
from accounts.jobs import owe_everyone
from accounts.tasks import SWEEP
from tests.benchmarks.rounds import interleave, times_as_long
from tests.benchmarks.scale.sweeper import Sweeper
from tests.benchmarks.scale.world import ZONES, World, make_world, night, use, work_a_day

ROUNDS = 4
RATIO, FLAT, IDLE, MOST_MIB = 5, 1.25, 0.25, 1_024
SMALL, IDLE_MINUTES = 10_000, 3


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000, 100,000 and 1,000,000 units; else 10,000 and 50,000."""
    main = str(connections["default"].settings_dict["NAME"])
    connections.close_all()
    sizes = [SMALL, 100_000, 1_000_000] if full else [SMALL, 50_000]
    worlds = [make_world(servers, f"world_{units}", units, main) for units in sizes]
    with Sweeper() as sweeper, ExitStack() as open_until_the_end:
        sides = {
            world.units: _Side(world, sweeper, open_until_the_end, most_nights=sizes[-1] // world.units)
            for world in worlds
        }
        large = sides[sizes[-1]]
        peer = _Peer(large.superuser)
        speeds = interleave(
            {str(units): side.go for units, side in sides.items()} | {"peer": lambda _: peer.go(large)},
            rounds=ROUNDS,
            count=large.units,
            before=large.begin_night,
            unit="units/s",
        )
        yield _against_peer(large, peer, speeds)
        for units in sizes[1:]:
            yield _flat(units, speeds)
        yield _idle(large)
        yield _memory(large, sweeper)


class _Side:
    """Our sweeps of one world. In a small world a round is many nights, so that it takes long enough to be told."""

    def __init__(self, world: World, sweeper: Sweeper, stack: ExitStack, *, most_nights: int) -> None:
        self.units, self.operators = world.units, len(world.operators)
        self.superuser = stack.enter_context(psycopg.connect(world.url, autocommit=True))
        self.night, self.differing, self.took_s = 0, 0, 0.0
        self._world, self._sweeper, self._nights = world, sweeper, min(10, most_nights)

    def begin_night(self) -> None:
        """What the day has left behind; not measured."""
        self.night += 1
        work_a_day(self.superuser, night(self.night).date())

    def go(self, number: int) -> float:
        """Units a second; the first call opens what is true at the start, and the large world's nights begin elsewhere."""
        if number < 0 or self._nights == 1:
            return self.units / self.sweep(night(self.night))
        seconds = 0.0
        for _ in range(self._nights):
            self.begin_night()
            seconds += self.sweep(night(self.night))
        return self._nights * self.units / seconds

    def sweep(self, now: datetime) -> float:
        use(self._world.database)
        with clock.playing(now):
            owe_everyone(kind=SWEEP, slot=f"{now:%Y-%m-%dT%H:%M}")
        owed = self.superuser.execute(_OWED, [SWEEP]).fetchall()
        assert len(owed) == self.operators, len(owed)
        self.took_s = self._sweeper.sweep(self._world.database, now, owed)
        assert not self.superuser.execute(_OWED, [SWEEP]).fetchall()
        return self.took_s


class _Peer:
    """The one statement, into a table of its own. ``differing``: rows that were not the same after some night."""

    def __init__(self, superuser: psycopg.Connection[Any]) -> None:
        self._superuser, self.differing, self.rows = superuser, 0, 0
        superuser.execute(
            "CREATE TABLE bench_alert (LIKE servicing_alert INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES)"
        )
        superuser.execute("SET work_mem = '256MB'")

    def go(self, side: _Side) -> float:
        now = night(side.night)
        with clock.playing(now):
            days = {zone: clock.today(zone) for zone in ZONES}
        values = {"zones": list(days), "days": list(days.values()), "now": now}
        self._superuser.execute("VACUUM ANALYZE bench_alert")
        began = time.perf_counter()
        self._superuser.execute(BEST, values)
        return side.units / (time.perf_counter() - began)

    def compare(self) -> None:
        """Both tables, row by row; to be called when both have done a night."""
        differing, rows = self._superuser.execute(_DIFFERING).fetchone() or (-1, 0)
        self.differing += differing
        self.rows = rows


def _against_peer(side: _Side, peer: _Peer, speeds: dict[str, list[float]]) -> dict[str, Any]:
    peer.compare()
    line = times_as_long(
        "scale.sweep",
        speeds[str(side.units)],
        "one statement for all operators, by a superuser, into a table without foreign keys",
        speeds["peer"],
        target=RATIO,
        n=side.units,
        unit="units/s",
    )
    return line | {
        "operators": side.operators,
        "alerts": peer.rows,
        "differing": peer.differing,
        "ok": line["ok"] and not peer.differing and peer.rows > 0,
    }


def _flat(units: int, speeds: dict[str, list[float]]) -> dict[str, Any]:
    return times_as_long(
        f"scale.sweep_flat_{units}",
        speeds[str(units)],
        f"a unit of {SMALL:,}; this one is of {units:,}",
        speeds[str(SMALL)],
        target=FLAT,
        n=units,
        unit="units/s",
    )


def _idle(side: _Side) -> dict[str, Any]:
    night_s = side.took_s
    took = [
        side.sweep(night(side.night) + timedelta(minutes=minute)) for minute in range(1, IDLE_MINUTES + 1)
    ]
    ratios = [one / night_s for one in took]
    return {
        "name": "scale.sweep_idle",
        "value": round(statistics.median(took) / side.operators * 1_000, 3),
        "unit": "ms/operator",
        "against": "the night's sweep; here it is the minutes after it, in which nothing changes",
        "ratio": round(statistics.median(ratios), 4),
        "ratio_is": "its time over the night's",
        "target": IDLE,
        "ok": statistics.median(ratios) <= IDLE,
        "rounds": len(took),
        "n": side.units,
    }


def _memory(side: _Side, sweeper: Sweeper) -> dict[str, Any]:
    return {
        "name": "scale.sweep_memory",
        "value": round(sweeper.peak_mib, 1),
        "unit": "MiB",
        "against": "the most that the sweeping process ever held",
        "ratio": round(sweeper.peak_mib / MOST_MIB, 3),
        "target": MOST_MIB,
        "ok": 0 < sweeper.peak_mib <= MOST_MIB,
        "rounds": 1,
        "n": side.units,
    }


_OWED = "SELECT operator_id, id FROM accounts_job WHERE kind = %s AND done_at IS NULL ORDER BY run_at, id"
_SAME = "operator_id, kind, unit_id, first_day"
_DIFFERING = f"""
SELECT count(*) FILTER (WHERE (a.site_id, a.closed_at IS NULL, a.opened_at, a.acknowledged_at)
        IS DISTINCT FROM (b.site_id, b.closed_at IS NULL, b.opened_at, b.acknowledged_at)),
    count(*) FILTER (WHERE a.closed_at IS NULL)
FROM servicing_alert a FULL JOIN bench_alert b USING ({_SAME})
"""
# Written for this answer alone, with the plan it is to have: what is true is made once, and once held against what stands.
BEST = """
WITH today AS (
    SELECT * FROM unnest(%(zones)s::text[], %(days)s::date[]) AS t (zone, day)
), unit AS (
    SELECT s.operator_id, s.unit_id, s.site_id, day, CASE WHEN day < past_grace_from THEN opens_on END AS due,
        past_grace_from AS past_grace, dry_soon_from AS dry_soon, wick_watch_from AS wick_watch, drift_since_on AS drift
    FROM servicing_duesegment s JOIN today USING (zone) JOIN servicing_outlook o USING (operator_id, unit_id)
    WHERE s.kind = 'due' AND s.starts_on <= day AND (s.ends_before IS NULL OR day < s.ends_before)
), standing AS MATERIALIZED (
    SELECT id, operator_id, kind, unit_id, first_day FROM bench_alert WHERE closed_at IS NULL
), true_now AS (
    SELECT operator_id, 'due' AS kind, unit_id, site_id, due AS first_day FROM unit WHERE due <= day
    UNION ALL SELECT operator_id, 'past_grace', unit_id, site_id, past_grace FROM unit WHERE past_grace <= day
    UNION ALL SELECT operator_id, 'dry_soon', unit_id, site_id, dry_soon FROM unit WHERE dry_soon <= day
    UNION ALL SELECT operator_id, 'wick_watch', unit_id, site_id, wick_watch FROM unit WHERE wick_watch <= day
    UNION ALL SELECT operator_id, 'drift', unit_id, site_id, drift FROM unit WHERE drift <= day
), compared AS MATERIALIZED (
    SELECT operator_id, kind, unit_id, t.site_id, s.id, s.first_day AS standing_from,
        CASE WHEN kind IN ('due', 'past_grace') THEN t.first_day ELSE coalesce(s.first_day, t.first_day) END AS first_day
    FROM true_now t FULL JOIN standing s USING (operator_id, kind, unit_id)
), fresh AS MATERIALIZED (
    SELECT * FROM compared WHERE site_id IS NOT NULL AND (id IS NULL OR first_day <> standing_from)
), closed AS (
    UPDATE bench_alert a SET closed_at = %(now)s FROM compared c
    WHERE a.id = c.id AND (c.site_id IS NULL OR c.first_day <> c.standing_from)
)
INSERT INTO bench_alert AS a (id, operator_id, kind, unit_id, site_id, first_day, opened_at, acknowledged_at)
SELECT uuidv7(), operator_id, kind, unit_id, f.site_id, first_day, %(now)s,
    (u.history -> 'acknowledged' ->> (kind || '/' || first_day::text))::timestamptz
FROM fresh f JOIN servicing_unitstate u USING (operator_id, unit_id)
ON CONFLICT (operator_id, kind, unit_id, first_day) DO UPDATE SET closed_at = NULL, site_id = excluded.site_id,
    acknowledged_at = excluded.acknowledged_at
"""
