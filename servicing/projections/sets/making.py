"""All units' states, findings and open reports made by one set-based statement: a rebuild's fast path.

It gives what ``rules.unit.fold_unit`` gives, to the byte; the rules are those of the fold, and a test compares the two
over random logs. What it can't read (an event in a version that it does not know) is left to the fold, unit by unit.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from servicing import log
from servicing.events.types import EventType
from servicing.models import Finding, Report
from servicing.projections import storing
from servicing.projections.sets.balances import BALANCES_SQL
from servicing.projections.sets.lives import LIVES_SQL
from servicing.projections.sets.sayings import SAYINGS_SQL
from servicing.projections.sets.states import STATES_SQL
from servicing.projections.sets.wicks import WICKS_SQL
from servicing.projections.storing import Changes
from servicing.queries.folds import fold_event, fold_units
from servicing.rules.fold import standings

UNITS_AT_ONCE = 500

# Each type with the versions that the statement reads: all say the same in the same fields.
READS: dict[EventType, tuple[int, ...]] = {
    EventType.ALERT_ACKNOWLEDGED: (1,),
    EventType.CARTRIDGE_EXCHANGED: (1,),
    EventType.DOSE_SET: (1,),
    EventType.EVENT_COUNTERED: (1,),
    EventType.FAULT_CLOSED: (1,),
    EventType.FAULT_FOUND: (1,),
    EventType.LEAK_STOPPED: (1,),
    EventType.LEVEL_READ: (1,),
    EventType.OUTLET_CLEARED: (1,),
    EventType.REPORT_CLOSED: (1,),
    EventType.REPORT_RECEIVED: (1, 2),
    EventType.RESERVOIR_CLEANED: (1,),
    EventType.UNIT_INSTALLED: (1,),
    EventType.UNIT_MOVED: (1,),
    EventType.UNIT_OPENED: (1,),
    EventType.UNIT_WITHDRAWN: (1,),
    EventType.WICK_CHANGED: (1,),
    EventType.WICK_CHECKED: (1,),
    EventType.WICK_WASHED: (1,),
}


def unread_units(upto: int) -> set[UUID]:
    """The units with an event that the statement can't read, at or before a position."""
    known: dict[int, list[str]] = {}
    for kind, versions in READS.items():
        for version in versions:
            known.setdefault(version, []).append(kind.value)
    read = " OR ".join(["schema_version = %s AND type = ANY(%s)"] * len(known))
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT DISTINCT subject_id FROM public.servicing_event WHERE operator_id = %s AND subject_kind = 'unit' "
            f"AND position <= %s AND NOT ({read})",
            [current_operator_id(), upto, *(value for pair in known.items() for value in pair)],
        )
        return {unit_id for (unit_id,) in cursor.fetchall()}


def superseded(upto: int) -> list[UUID]:
    """The events that fall to a correction at or before a position. Corrections are few: their rules stay in one place."""
    corrections = log.events_correcting(upto=upto)
    known = {row.event_id for row in corrections}
    targets = {row.corrects for row in corrections if row.corrects is not None} - known
    rows = [*corrections, *(row for row in log.events_by_id(targets) if row.position <= upto)]
    found = standings([fold_event(row) for row in rows])
    return sorted(event_id for event_id, standing in found.items() if standing.word == "superseded")


def store_units(upto: int) -> tuple[int, set[UUID]]:
    """Make the state, findings and open reports of the scope's operator's units, from its log up to a position.

    Whatever stood in these tables goes, in one transaction: the caller's. Returns the number of units made, and those
    that are left to ``fold_and_store_units``. The tables are named without schema, the log with its own.
    """
    left = unread_units(upto)
    values: Any = {
        "operator": current_operator_id(),
        "upto": upto,
        "superseded": superseded(upto),
        "left": sorted(left),
    }
    with connection.cursor() as cursor:
        cursor.execute(_SETTINGS_SQL)
        for sql in _CLEAR_SQL:
            cursor.execute(sql, values)
        cursor.execute(_STORE_SQL, values)
        made: tuple[Any, ...] = cursor.fetchone()
        cursor.execute(_PLAIN_SETTINGS_SQL)
    return int(made[0]), left


def fold_and_store_units(unit_ids: Collection[UUID], upto: int) -> None:
    """The same rows of these units by the fold, one page of units after the other."""
    ids = list(unit_ids)
    for start in range(0, len(ids), UNITS_AT_ONCE):
        histories = fold_units(ids[start : start + UNITS_AT_ONCE], upto=upto)
        sites = storing.places_of(histories)
        storing.store(Changes(states=storing.unit_columns(histories, sites)))
        Finding.objects.filter(subject_id__in=histories.keys()).delete()
        Finding.objects.bulk_create([Finding(**row) for row in storing.finding_rows(histories)])
        Report.objects.filter(unit_id__in=histories.keys()).delete()
        Report.objects.bulk_create([Report(**row) for row in storing.report_rows(histories, sites)])


# The planner knows nothing of the parts' sizes and would take a loop in a loop where a hash is due.
_SETTINGS_SQL = "SET LOCAL work_mem = '128MB'; SET LOCAL enable_nestloop = off; SET LOCAL jit = off"
_PLAIN_SETTINGS_SQL = (
    "SET LOCAL work_mem TO DEFAULT; SET LOCAL enable_nestloop TO DEFAULT; SET LOCAL jit TO DEFAULT"
)

_CLEAR_SQL = (
    "DELETE FROM servicing_finding WHERE operator_id = %(operator)s AND subject_kind = 'unit'",
    "DELETE FROM servicing_report WHERE operator_id = %(operator)s AND unit_id IS NOT NULL",
    "DELETE FROM servicing_unitstate WHERE operator_id = %(operator)s",
)

_STORE_SQL = f"""
WITH {LIVES_SQL.strip()}, {BALANCES_SQL.strip()}, {WICKS_SQL.strip()}, {SAYINGS_SQL.strip()}, {STATES_SQL.strip()}, stored AS (
    INSERT INTO servicing_unitstate (operator_id, unit_id, site_id, station_id, status, last_exchange_at, history)
    SELECT %(operator)s, unit_id, CASE WHEN is_installed THEN site_id END,
        CASE WHEN is_installed AND site_id IS NOT NULL THEN station_id END, status, exchange_at, history
    FROM placed
), noted AS (
    INSERT INTO servicing_finding (operator_id, event_id, code, subject_kind, subject_id, occurred_at)
    SELECT %(operator)s, event_id, code, 'unit', subject_id, occurred_at FROM found
), reported AS (
    INSERT INTO servicing_report (operator_id, event_id, site_id, unit_id, kind, received_at)
    SELECT %(operator)s, r.event_id, p.site_id, r.subject_id, r.kind, r.occurred_at
    FROM still_open r JOIN placed p ON p.unit_id = r.subject_id
)
SELECT count(*) FROM placed
"""
