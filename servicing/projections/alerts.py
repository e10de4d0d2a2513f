"""Alert rows brought to what is true of an operator on its zones' days: one statement, which reads everything once."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.db import connection

from accounts import clock
from accounts.tenancy import current_operator_id

_LOCK_SQL = "SELECT pg_advisory_xact_lock(hashtextextended(%(operator)s::text || '/sweep', 0))"
# True alerts of each zone on its local date. Only where a due day is open: a closed site is not late, and a site whose
# agreement has ended is nobody's business. The key is kind, unit and the first day it was true. A forecast's day moves a
# little with every fit: while its alert is open it keeps the day it was opened with, and the note taken of it. Ids grow
# with time, so that what opens in a night lies together in the indexes, however many alerts there are.
_TURN_SQL = """
WITH today AS (
    SELECT zone, day FROM unnest(%(zones)s::text[], %(days)s::date[]) AS t (zone, day)
), open AS (
    SELECT s.unit_id, s.site_id, s.opens_on, s.past_grace_from, o.dry_soon_from, o.wick_watch_from,
        o.drift_since_on, today.day
    FROM servicing_duesegment s
    JOIN today USING (zone)
    JOIN servicing_outlook o ON o.operator_id = s.operator_id AND o.unit_id = s.unit_id
    WHERE s.operator_id = %(operator)s AND s.kind = 'due'
      AND s.starts_on <= today.day AND (s.ends_before IS NULL OR today.day < s.ends_before)
      AND least(s.opens_on, s.past_grace_from, o.dry_soon_from, o.wick_watch_from, o.drift_since_on) <= today.day
), standing AS MATERIALIZED (
    SELECT id, kind, unit_id, first_day FROM servicing_alert
    WHERE operator_id = %(operator)s AND closed_at IS NULL
), kept AS (
    SELECT kind, unit_id, min(first_day) AS first_day FROM standing
    WHERE kind IN ('dry_soon', 'wick_watch', 'drift') GROUP BY kind, unit_id
), holding AS (
    SELECT true_of.kind, unit_id, site_id, coalesce(kept.first_day, true_of.first_day) AS first_day
    FROM open
    CROSS JOIN LATERAL (VALUES ('due', CASE WHEN day < past_grace_from THEN opens_on END),
        ('past_grace', past_grace_from), ('dry_soon', dry_soon_from), ('wick_watch', wick_watch_from),
        ('drift', drift_since_on)) AS true_of (kind, first_day)
    LEFT JOIN kept USING (kind, unit_id)
    WHERE true_of.first_day <= day
), both_ways AS MATERIALIZED (
    SELECT kind, unit_id, first_day, holding.site_id, standing.id
    FROM standing FULL JOIN holding USING (kind, unit_id, first_day)
), changed AS (
    SELECT coalesce(max(turn), 0) + 1 AS turn FROM servicing_alert WHERE operator_id = %(operator)s
), closed AS (
    UPDATE servicing_alert a SET closed_at = %(now)s, turn = changed.turn
    FROM both_ways, changed
    WHERE a.operator_id = %(operator)s AND a.id = both_ways.id AND both_ways.site_id IS NULL
    RETURNING 1
), opened AS (
    INSERT INTO servicing_alert AS a (id, operator_id, kind, unit_id, site_id, first_day, opened_at, acknowledged_at, turn,
        opened_turn)
    SELECT uuidv7(), %(operator)s, kind, unit_id, site_id, first_day, %(now)s, (
            SELECT (u.history -> 'acknowledged' ->> (kind || '/' || first_day::text))::timestamptz
            FROM servicing_unitstate u WHERE u.operator_id = %(operator)s AND u.unit_id = b.unit_id
        ), changed.turn, changed.turn
    FROM both_ways b, changed WHERE b.id IS NULL
    ON CONFLICT (operator_id, kind, unit_id, first_day) DO UPDATE SET closed_at = NULL, site_id = excluded.site_id,
        acknowledged_at = excluded.acknowledged_at, turn = excluded.turn, opened_turn = excluded.turn
    RETURNING 1
)
SELECT (SELECT turn FROM changed), (SELECT count(*) FROM opened), (SELECT count(*) FROM closed)
"""

_MARK_SQL = """
UPDATE servicing_alert a
SET acknowledged_at = (u.history -> 'acknowledged' ->> (a.kind || '/' || a.first_day::text))::timestamptz
FROM servicing_unitstate u
WHERE a.operator_id = %(operator)s AND u.operator_id = a.operator_id AND u.unit_id = a.unit_id
  AND a.unit_id = ANY(%(units)s) AND a.closed_at IS NULL
  AND a.acknowledged_at IS DISTINCT FROM
      (u.history -> 'acknowledged' ->> (a.kind || '/' || a.first_day::text))::timestamptz
"""


@dataclass(frozen=True, slots=True)
class Turned:
    """How many alerts opened and closed; ``turn`` is theirs if any did."""

    turn: int
    opened: int
    closed: int


def turn(days: Mapping[str, date]) -> Turned:
    """Inside an open scope: open and close alerts as each zone's ``days`` have it.

    Sweeps of one operator take turns until commit, so the numbers of turns are in the order of the commits.
    """
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "zones": list(days),
        "days": list(days.values()),
        "now": clock.now(),
    }
    with connection.cursor() as cursor:
        # A statement of its own: what the next one sees begins once the lock is held.
        cursor.execute(_LOCK_SQL, values)
        # Of an operator that has just been brought in, or whose alerts all open on one day, the planner knows nothing
        # and takes its tables for a row or two: loops inside loops then take hours.
        cursor.execute("SELECT set_config('enable_nestloop', 'off', true)")
        cursor.execute(_TURN_SQL, values)
        found = Turned(*cursor.fetchone())
        cursor.execute("SELECT set_config('enable_nestloop', 'on', true)")
    return found


def mark(unit_ids: Collection[UUID]) -> None:
    """Inside an open scope: give these units' open alerts the instant at which their events say that note was taken.

    Whoever folds such an event calls this; an alert that opens is given its note by the sweep.
    """
    values: dict[str, Any] = {"operator": current_operator_id(), "units": list(unit_ids)}
    with connection.cursor() as cursor:
        cursor.execute(_LOCK_SQL, values)  # else an alert that a sweep is opening would not be seen
        cursor.execute(_MARK_SQL, values)
