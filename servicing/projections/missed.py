"""Alerts that were true only on days on which nobody swept: they are opened with their own first day, as they would have been.

What is true of them today the sweep then says. It adds rows and touches none, so doing it again changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.db import connection

from accounts import clock
from accounts.tenancy import current_operator_id

# As the sweep has them, on any day of the range instead of one. A forecast's alert that stands keeps its day.
_MISSED_SQL = """
WITH missed AS (
    SELECT zone, since, until FROM unnest(%(zones)s::text[], %(since)s::date[], %(until)s::date[]) AS t (zone, since, until)
), open AS (
    SELECT s.unit_id, s.site_id, s.opens_on, s.past_grace_from, o.dry_soon_from, o.wick_watch_from, o.drift_since_on,
        greatest(s.starts_on, missed.since) AS since, least(s.ends_before - 1, missed.until) AS until
    FROM servicing_duesegment s
    JOIN missed USING (zone)
    JOIN servicing_outlook o ON o.operator_id = s.operator_id AND o.unit_id = s.unit_id
    WHERE s.operator_id = %(operator)s AND s.kind = 'due'
), held AS (
    SELECT true_of.kind, unit_id, site_id, true_of.first_day
    FROM open
    CROSS JOIN LATERAL (VALUES ('due', CASE WHEN past_grace_from IS NOT NULL THEN opens_on END, past_grace_from - 1),
        ('past_grace', past_grace_from, NULL), ('dry_soon', dry_soon_from, NULL),
        ('wick_watch', wick_watch_from, NULL), ('drift', drift_since_on, NULL)) AS true_of (kind, first_day, last_day)
    WHERE greatest(true_of.first_day, since) <= least(true_of.last_day, until) AND true_of.first_day IS NOT NULL
), changed AS (
    SELECT coalesce(max(turn), 0) + 1 AS turn FROM servicing_alert WHERE operator_id = %(operator)s
), opened AS (
    INSERT INTO servicing_alert (id, operator_id, kind, unit_id, site_id, first_day, opened_at, turn, opened_turn)
    SELECT uuidv7(), %(operator)s, kind, unit_id, site_id, first_day, %(now)s, changed.turn, changed.turn
    FROM held, changed
    WHERE NOT EXISTS (
        SELECT 1 FROM servicing_alert a WHERE a.operator_id = %(operator)s AND a.kind = held.kind AND a.unit_id = held.unit_id
          AND (a.first_day = held.first_day OR (a.closed_at IS NULL AND held.kind IN ('dry_soon', 'wick_watch', 'drift')))
    )
    ON CONFLICT (operator_id, kind, unit_id, first_day) DO NOTHING
    RETURNING 1
)
SELECT (SELECT turn FROM changed), (SELECT count(*) FROM opened)
"""


def open_missed(days: Mapping[str, tuple[date, date]]) -> tuple[int, int]:
    """Inside an open scope: open what held on any of each zone's missed days, both ends included.

    Gives the number of this turn and how many opened.
    """
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "zones": list(days),
        "since": [since for since, _ in days.values()],
        "until": [until for _, until in days.values()],
        "now": clock.now(),
    }
    with connection.cursor() as cursor:
        # As the sweep does: two of one operator take turns.
        cursor.execute(
            "SELECT pg_advisory_xact_lock(hashtextextended(%(operator)s::text || '/sweep', 0))", values
        )
        cursor.execute(_MISSED_SQL, values)
        turn, opened = cursor.fetchone()
    return turn, opened
