"""The log as the month sheet reads it: the events that count, unit by unit in canonical order, as plain numbers."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from servicing import log
from servicing.queries.folds import fold_event
from servicing.rules.fold import AHEAD_TOLERANCE, standings

# Kinds of a unit's lines, as their statement numbers them.
INSTALLED, MOVED, WITHDRAWN, EXCHANGED, WICK_CHANGED, CLEANED = range(6)
# Versions of payloads that the statements below can read; a newer one needs a look at them.
READS = {
    "unit.installed": 1,
    "unit.moved": 1,
    "unit.withdrawn": 1,
    "cartridge.exchanged": 1,
    "wick.changed": 1,
    "reservoir.cleaned": 1,
    "fault.found": 1,
    "fault.closed": 1,
    "outlet.cleared": 1,
    "leak.stopped": 1,
    "report.received": 2,
    "report.closed": 1,
}


class UnitLines(NamedTuple):
    """A unit's lines in columns: kind, seconds since 1970; ``charge``, ``left``, ``before``, ``after`` in mL (None: not
    read; at a cleaning ``left`` is what was wiped out); ``word``: a station's id, or why a wick was changed, or "new".
    """

    unit_id: UUID
    kind: list[int]
    at_s: list[int]
    charge: list[int | None]
    left: list[int | None]
    before: list[int | None]
    after: list[int | None]
    word: list[str | None]
    station: list[str | None]


_COUNTING = """
operator_id = %(operator)s AND occurred_at < %(until)s
    AND occurred_at <= received_at + %(ahead)s AND event_id <> ALL(%(superseded)s)
"""
# Where units hang and how old their wicks are is known from all that was ever said of them; what they dripped, from
# ``since`` on. One pass over the log; the order of the inner rows is that of the arrays.
_LINES = f"""
SELECT subject_id, array_agg(kind), array_agg(at_s), array_agg(charge), array_agg(was_left), array_agg(before),
    array_agg(after), array_agg(word), array_agg(station)
FROM (
    SELECT subject_id,
        CASE type WHEN 'unit.installed' THEN 0 WHEN 'unit.moved' THEN 1 WHEN 'unit.withdrawn' THEN 2
            WHEN 'cartridge.exchanged' THEN 3 WHEN 'wick.changed' THEN 4 ELSE 5 END AS kind,
        floor(extract(epoch FROM occurred_at))::bigint AS at_s,
        (payload->>'charge_ml')::int AS charge,
        coalesce(payload->>'cartridge_left_ml', payload->>'wiped_out_ml')::int AS was_left,
        (payload->>'reservoir_before_ml')::int AS before,
        (payload->>'reservoir_after_ml')::int AS after,
        coalesce(payload->>'wick', payload->>'reason') AS word,
        payload->>'station_id' AS station
    FROM servicing_event
    WHERE {_COUNTING} AND type = ANY(%(types)s) AND (occurred_at >= %(since)s OR type = ANY(%(ever)s))
    ORDER BY subject_id, occurred_at, device_id, device_sequence, event_id
) AS line GROUP BY subject_id ORDER BY subject_id
"""
_EVER = ["unit.installed", "unit.moved", "unit.withdrawn", "wick.changed"]
_TYPES = [*_EVER, "cartridge.exchanged", "reservoir.cleaned"]


def unit_lines(since: datetime, until: datetime, superseded: Collection[UUID]) -> list[UnitLines]:
    """Every unit with events before ``until``; what it dripped only from ``since`` on."""
    with connection.cursor() as cursor:
        cursor.execute(
            _LINES, {**_counted(until, superseded), "types": _TYPES, "since": since, "ever": _EVER}
        )
        return [UnitLines._make(row) for row in cursor.fetchall()]


_FAULTS = f"""
WITH faulty AS (
    SELECT DISTINCT subject_id FROM servicing_event
    WHERE {_COUNTING} AND type = 'fault.found' AND occurred_at >= %(since)s
)
SELECT subject_id, (extract(epoch FROM occurred_at) * 1000000)::bigint, type, coalesce(payload->>'mode', ''), event_id::text
FROM servicing_event JOIN faulty USING (subject_id)
WHERE {_COUNTING} AND type = ANY(%(types)s) AND coalesce(payload->>'drips_again', 'true') = 'true'
ORDER BY subject_id, occurred_at, device_id, device_sequence, event_id
"""
_FAULT_TYPES = [
    "fault.found", "fault.closed", "outlet.cleared", "leak.stopped", "wick.changed", "cartridge.exchanged",
    "unit.withdrawn", "unit.installed",
]  # fmt: skip


class FaultLine(NamedTuple):
    unit_id: UUID
    at_us: int
    type: str
    mode: str
    event_id: str


def fault_lines(since: datetime, until: datetime, superseded: Collection[UUID]) -> Iterator[FaultLine]:
    """What opens and closes faults, of the units on which one was found from ``since`` on."""
    with connection.cursor() as cursor:
        cursor.execute(_FAULTS, {**_counted(until, superseded), "types": _FAULT_TYPES, "since": since})
        yield from map(FaultLine._make, cursor.fetchall())


class ReportLine(NamedTuple):
    """A report: what it is about, and when it came in and was closed (None: it is open)."""

    event_id: UUID
    subject_kind: str
    subject_id: UUID
    kind: str
    received_at: datetime
    closed_at: datetime | None


_REPORTS = f"""
WITH closed AS (
    SELECT (payload->>'report_event_id')::uuid AS report_id, min(occurred_at) AS closed_at
    FROM servicing_event WHERE {_COUNTING} AND type = 'report.closed' GROUP BY 1
)
SELECT event_id, subject_kind, subject_id, payload->>'kind', occurred_at,
    CASE WHEN closed_at < occurred_at THEN occurred_at ELSE closed_at END
FROM servicing_event LEFT JOIN closed ON report_id = event_id
WHERE {_COUNTING} AND type = 'report.received' AND (occurred_at >= %(since)s OR closed_at >= %(since)s)
ORDER BY occurred_at, event_id
"""


def report_lines(since: datetime, until: datetime, superseded: Collection[UUID]) -> list[ReportLine]:
    """The reports that came in or were closed from ``since`` on, in the order they came in."""
    with connection.cursor() as cursor:
        cursor.execute(_REPORTS, {**_counted(until, superseded), "since": since})
        return [ReportLine._make(row) for row in cursor.fetchall()]


def superseded_ids() -> list[UUID]:
    """The events that fall to a correction, of all subjects."""
    rows = {row.event_id: row for row in log.events_correcting()}
    corrected = {row.corrects for row in rows.values() if row.corrects is not None} - rows.keys()
    rows |= {row.event_id: row for row in log.events_by_id(corrected)}
    found = standings([fold_event(row) for row in rows.values()])
    return sorted(event_id for event_id, standing in found.items() if standing.word == "superseded")


def _counted(until: datetime, superseded: Collection[UUID]) -> dict[str, Any]:
    return {
        "operator": current_operator_id(),
        "until": until,
        "ahead": AHEAD_TOLERANCE,
        "superseded": list(superseded),
    }
