"""Alert rows brought to what is true of an operator on its zones' days: one statement, which reads everything once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from accounts import clock
from accounts.tenancy import current_operator_id

# True alerts of each zone on its local date. Only where a due day is open: a closed site is not late, and a site whose
# agreement has ended is nobody's business. The key is kind, unit and the first day it was true. A forecast's day moves a
# little with every fit: while its alert is open it keeps the day it was opened with, and the note taken of it.
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
    SELECT id, kind, unit_id, first_day, acknowledged_at FROM servicing_alert
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
    SELECT kind, unit_id, first_day, holding.site_id, standing.id, standing.acknowledged_at
    FROM standing FULL JOIN holding USING (kind, unit_id, first_day)
), noted AS (
    SELECT b.*, (u.history -> 'acknowledged' ->> (b.kind || '/' || b.first_day::text))::timestamptz AS noted_at
    FROM both_ways b
    LEFT JOIN servicing_unitstate u ON u.operator_id = %(operator)s AND u.unit_id = b.unit_id
    WHERE b.site_id IS NOT NULL
), changed AS (
    SELECT coalesce(max(turn), 0) + 1 AS turn FROM servicing_alert WHERE operator_id = %(operator)s
), closed AS (
    UPDATE servicing_alert a SET closed_at = %(now)s, turn = changed.turn
    FROM both_ways, changed
    WHERE a.operator_id = %(operator)s AND a.id = both_ways.id AND both_ways.site_id IS NULL
    RETURNING 1
), marked AS (
    UPDATE servicing_alert a SET acknowledged_at = noted_at FROM noted
    WHERE a.operator_id = %(operator)s AND a.id = noted.id AND noted.acknowledged_at IS DISTINCT FROM noted_at
    RETURNING 1
), opened AS (
    INSERT INTO servicing_alert AS a (id, operator_id, kind, unit_id, site_id, first_day, opened_at, acknowledged_at, turn,
        opened_turn)
    SELECT gen_random_uuid(), %(operator)s, kind, unit_id, site_id, first_day, %(now)s, noted_at, changed.turn, changed.turn
    FROM noted, changed WHERE id IS NULL
    ON CONFLICT (operator_id, kind, unit_id, first_day) DO UPDATE SET closed_at = NULL, site_id = excluded.site_id,
        acknowledged_at = excluded.acknowledged_at, turn = excluded.turn, opened_turn = excluded.turn
    RETURNING 1
)
SELECT (SELECT turn FROM changed), (SELECT count(*) FROM opened), (SELECT count(*) FROM closed),
    (SELECT count(*) FROM marked)
"""


@dataclass(frozen=True, slots=True)
class Turned:
    """How many alerts opened, closed, and were noted or noted no more; ``turn`` is theirs if any opened or closed."""

    turn: int
    opened: int
    closed: int
    marked: int


def turn(days: Mapping[str, date]) -> Turned:
    """Inside an open scope: open and close alerts as each zone's ``days`` have it, and mark those taken note of.

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
        cursor.execute(
            "SELECT pg_advisory_xact_lock(hashtextextended(%(operator)s::text || '/sweep', 0))", values
        )
        # Of an operator that has just been brought in, or whose alerts all open on one day, the planner knows nothing
        # and takes its tables for a row or two: loops inside loops then take hours.
        cursor.execute("SELECT set_config('enable_nestloop', 'off', true)")
        cursor.execute(_TURN_SQL, values)
        found = Turned(*cursor.fetchone())
        cursor.execute("SELECT set_config('enable_nestloop', 'on', true)")
    return found
