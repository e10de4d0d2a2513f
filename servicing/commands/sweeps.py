"""The sweep: which alerts are true of an operator today. Opens and closes rows; doing it again changes nothing."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from django.db import connection

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.jobs import ALERTS_TURNED, Job, enqueue, perform
from accounts.permissions import Actor
from accounts.tenancy import current_operator_id
from servicing import log
from servicing.commands import noticing
from servicing.projections import due
from servicing.projections.pulse import beat

# True alerts of one zone on its local date. Only where a due day is open: a closed site is not late, and a site whose
# agreement has ended is nobody's business. The key is kind, unit and the first day it was true. A forecast's day moves a
# little with every fit: while its alert is open it keeps the day it was opened with, and the note taken of it.
_TRUE_SQL = """
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
), kept AS (
    SELECT kind, unit_id, min(first_day) AS first_day FROM servicing_alert
    WHERE operator_id = %(operator)s AND closed_at IS NULL GROUP BY kind, unit_id
), holding AS (
    SELECT 'due' AS kind, unit_id, site_id, opens_on AS first_day FROM open
    WHERE opens_on <= day AND day < past_grace_from
    UNION ALL
    SELECT 'past_grace', unit_id, site_id, past_grace_from FROM open WHERE past_grace_from <= day
    UNION ALL
    SELECT forecast.kind, unit_id, site_id, coalesce(kept.first_day, forecast.first_day)
    FROM open
    CROSS JOIN LATERAL (VALUES ('dry_soon', dry_soon_from), ('wick_watch', wick_watch_from), ('drift', drift_since_on))
        AS forecast (kind, first_day)
    LEFT JOIN kept USING (kind, unit_id)
    WHERE forecast.first_day <= day
)
"""

_OPEN_SQL = (
    _TRUE_SQL
    + """
INSERT INTO servicing_alert (id, operator_id, kind, unit_id, site_id, first_day, opened_at, turn, opened_turn)
SELECT gen_random_uuid(), %(operator)s, kind, unit_id, site_id, first_day, %(now)s, %(turn)s, %(turn)s FROM holding
ON CONFLICT (operator_id, kind, unit_id, first_day)
    DO UPDATE SET closed_at = NULL, site_id = excluded.site_id, turn = excluded.turn, opened_turn = excluded.turn
    WHERE servicing_alert.closed_at IS NOT NULL
"""
)

_CLOSE_SQL = (
    _TRUE_SQL
    + """
UPDATE servicing_alert a SET closed_at = %(now)s, turn = %(turn)s
WHERE a.operator_id = %(operator)s AND a.closed_at IS NULL AND NOT EXISTS (
    SELECT 1 FROM holding h WHERE h.kind = a.kind AND h.unit_id = a.unit_id AND h.first_day = a.first_day
)
"""
)

_TURN_SQL = "SELECT coalesce(max(turn), 0) + 1 FROM servicing_alert WHERE operator_id = %(operator)s"

_ACKNOWLEDGE_SQL = """
UPDATE servicing_alert a
SET acknowledged_at = (u.history -> 'acknowledged' ->> (a.kind || '/' || a.first_day::text))::timestamptz
FROM servicing_unitstate u
WHERE a.operator_id = %(operator)s AND u.operator_id = a.operator_id AND u.unit_id = a.unit_id AND a.closed_at IS NULL
  AND a.acknowledged_at IS DISTINCT FROM
      (u.history -> 'acknowledged' ->> (a.kind || '/' || a.first_day::text))::timestamptz
"""


def sweep(*, actor: Actor) -> dict[str, int]:
    """Open what has become true and close what is true no more; returns how many of each."""
    with tenancy.writing(actor, lock_timeout_ms=0):
        return sweep_alerts()


def sweep_alerts(days: dict[str, date] | None = None) -> dict[str, int]:
    """The sweep inside an open scope; ``days`` gives each zone's local date, by default today's."""
    days = days or {zone: clock.today(zone) for zone in accounts.site_zones()}
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "zones": list(days),
        "days": list(days.values()),
        "now": clock.now(),
    }
    with connection.cursor() as cursor:
        # Two sweeps of one operator take turns.
        cursor.execute(
            "SELECT pg_advisory_xact_lock(hashtextextended(%(operator)s::text || '/sweep', 0))", values
        )
        # Drawn while the lock is held, so turns are in the order of the commits.
        cursor.execute(_TURN_SQL, values)
        (values["turn"],) = cursor.fetchone()
        cursor.execute(_CLOSE_SQL, values)
        closed = cursor.rowcount
        cursor.execute(_OPEN_SQL, values)
        opened = cursor.rowcount
    mark_acknowledged()
    if opened or closed:
        beat()
        enqueue(kind=ALERTS_TURNED, dedup_key=f"turn/{values['turn']}", ref=str(values["turn"]))
    if opened:
        noticing.owe_turn(values["turn"])
    return {"opened": opened, "closed": closed}


def mark_acknowledged() -> None:
    """Inside an open scope: give each open alert the instant at which its unit's events say that note was taken."""
    with connection.cursor() as cursor:
        cursor.execute(_ACKNOWLEDGE_SQL, {"operator": current_operator_id()})
        marked = cursor.rowcount
    if marked:
        beat()


def run_sweep(operator_id: UUID, job_id: UUID) -> bool:
    """A sweep as a job: effect and job row in one transaction; a second run finds it done."""
    return perform(operator_id, job_id, _sweep_effect)


def _sweep_effect(actor: Actor, job: Job) -> None:
    sweep_alerts()


def refresh_due(operator_id: UUID, job_id: UUID) -> bool:
    """An agreement or a rule changed: make the due days of its site (all sites when none is named) anew, as a job."""
    return perform(operator_id, job_id, _refresh_effect)


def _refresh_effect(actor: Actor, job: Job) -> None:
    if not job.ref:
        # One job a site, so that no transaction holds the operator's lock for long.
        for site_id in accounts.sites().values_list("id", flat=True):
            enqueue(kind=job.kind, dedup_key=f"{job.dedup_key}/{site_id}", ref=str(site_id))
        return
    with connection.cursor() as cursor:
        # As an upload does: else both would write the same unit's due days.
        log.lock_operator(cursor, actor.operator_id)
    due.refresh({}, [UUID(job.ref)])
    beat()
