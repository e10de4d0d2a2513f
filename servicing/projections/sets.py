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
from servicing.projections.storing import Changes
from servicing.queries.folds import fold_event, fold_units
from servicing.rules.fold import AHEAD_TOLERANCE, standings
from servicing.rules.unit import DOWN_MODES, KEPT_INTERVALS

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


def _at(instant: str) -> str:
    """An instant as the histories write it: ISO 8601 in UTC with microseconds."""
    return f"""to_char({instant} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"+00:00"')"""


def _ml(name: str) -> str:
    return f"(payload->>'{name}')::integer"


_AHEAD_MINUTES = int(AHEAD_TOLERANCE.total_seconds()) // 60
_ANYTIME = "('alert.acknowledged', 'report.closed', 'report.received')"
_DOWN = ", ".join(f"'{mode}'" for mode in sorted(DOWN_MODES))
_CANONICAL = "occurred_at, device_id, device_sequence, event_id"

# A unit's events in canonical order are numbered through all units (n); a life is known by the n of its install.
_PARTS_SQL = f"""
numbered AS MATERIALIZED (
    SELECT subject_id, {_CANONICAL}, type, payload, row_number() OVER (ORDER BY subject_id, {_CANONICAL}) AS n,
        event_id <> ALL(%(superseded)s::uuid[]) AS stands, occurred_at > received_at + interval '{_AHEAD_MINUTES} minutes' AS is_ahead
    FROM public.servicing_event
    WHERE operator_id = %(operator)s AND subject_kind = 'unit' AND position <= %(upto)s
        AND subject_id <> ALL(%(left)s::uuid[])
), turns AS (
    SELECT subject_id, n, type = 'unit.installed' AS is_install,
        coalesce(lag(type) OVER (PARTITION BY subject_id ORDER BY n) = 'unit.installed', false) AS is_installed
    FROM numbered WHERE stands AND NOT is_ahead AND type IN ('unit.installed', 'unit.withdrawn')
), spells AS MATERIALIZED (
    SELECT * FROM (
        SELECT subject_id, n AS life, is_install, lead(n) OVER (PARTITION BY subject_id ORDER BY n) AS withdrawn_n
        FROM turns WHERE is_install <> is_installed
    ) edges WHERE is_install
), told AS MATERIALIZED (
    SELECT t.n, t.subject_id, {", ".join(f"t.{name}" for name in _CANONICAL.split(", "))}, t.payload, s.life,
        CASE WHEN type = 'unit.installed' AND t.n <> s.life THEN 'again'
            WHEN type = 'outlet.cleared' AND payload->>'drips_again' = 'true' THEN 'dripping'
            ELSE type END AS kind
    FROM numbered t
    LEFT JOIN spells s ON s.subject_id = t.subject_id AND t.n >= s.life AND (s.withdrawn_n IS NULL OR t.n <= s.withdrawn_n)
    WHERE t.stands AND NOT t.is_ahead AND t.type <> 'event.countered'
), units AS MATERIALIZED (
    SELECT u.subject_id AS unit_id, u.last_n, s.life
    FROM (
        SELECT subject_id, max(n) FILTER (WHERE stands AND NOT is_ahead AND type <> 'event.countered') AS last_n
        FROM numbered GROUP BY subject_id
    ) u
    LEFT JOIN (SELECT subject_id, max(life) AS life FROM spells GROUP BY subject_id) s ON s.subject_id = u.subject_id
), cleanings AS MATERIALIZED (
    SELECT life, n, coalesce({_ml("wiped_out_ml")}, 0) AS wiped_ml FROM told WHERE life IS NOT NULL AND kind = 'reservoir.cleaned'
), latest AS MATERIALIZED (
    SELECT life, kind, max(n) AS n, max(occurred_at) AS at FROM told WHERE life IS NOT NULL GROUP BY life, kind
), lives AS MATERIALIZED (
    SELECT u.unit_id, u.life, u.last_n,
        max(l.at) FILTER (WHERE kind = 'unit.withdrawn') AS withdrawn_at,
        max(l.n) FILTER (WHERE kind IN ('unit.installed', 'again', 'unit.moved')) AS station_n,
        max(l.n) FILTER (WHERE kind IN ('unit.installed', 'cartridge.exchanged')) AS charge_n,
        max(l.n) FILTER (WHERE kind = 'cartridge.exchanged') AS exchange_n,
        max(l.at) FILTER (WHERE kind = 'cartridge.exchanged') AS exchange_at,
        max(l.n) FILTER (WHERE kind IN ('unit.installed', 'cartridge.exchanged', 'level.read')) AS level_n,
        max(l.n) FILTER (WHERE kind = 'wick.checked') AS check_n,
        max(l.n) FILTER (WHERE kind IN ('wick.changed', 'wick.washed')) AS refresh_n,
        max(l.n) FILTER (WHERE kind = 'wick.washed') AS wash_n,
        max(l.at) FILTER (WHERE kind = 'wick.washed') AS wash_at,
        max(l.n) FILTER (WHERE kind = 'wick.changed') AS change_n,
        max(l.at) FILTER (WHERE kind = 'wick.changed') AS change_at,
        max(l.n) FILTER (WHERE kind IN ('wick.changed', 'dose.set')) AS reset_n,
        max(l.n) FILTER (WHERE kind = 'dose.set') AS dose_n,
        max(l.at) FILTER (WHERE kind = 'reservoir.cleaned') AS cleaned_at,
        max(l.at) FILTER (WHERE kind IN ('outlet.cleared', 'dripping')) AS cleared_at,
        max(l.n) FILTER (WHERE kind = 'dripping') AS dripping_n,
        max(l.n) FILTER (WHERE kind = 'leak.stopped') AS leak_n
    FROM units u LEFT JOIN latest l ON l.life = u.life
    GROUP BY u.unit_id, u.life, u.last_n
), chosen AS MATERIALIZED (
    SELECT * FROM told WHERE n IN (
        SELECT unnest(ARRAY[life, last_n, station_n, charge_n, level_n, check_n, dose_n]) FROM lives
    )
), wiped AS (
    SELECT l.life, sum(c.wiped_ml) FILTER (WHERE c.n > l.charge_n) AS since_charge_ml,
        sum(c.wiped_ml) FILTER (WHERE c.n > l.level_n) AS since_level_ml
    FROM lives l JOIN cleanings c ON c.life = l.life GROUP BY l.life
), charges AS (
    SELECT subject_id, life, n, kind, event_id, occurred_at, {_ml("cartridge_left_ml")} AS left_ml,
        {_ml("reservoir_before_ml")} AS before_ml, lag(n) OVER w AS before_n, lag(occurred_at) OVER w AS since,
        lag({_ml("charge_ml")}) OVER w AS charge_ml, lag(coalesce({_ml("reservoir_after_ml")}, 0)) OVER w AS reservoir_ml
    FROM told WHERE life IS NOT NULL AND kind IN ('unit.installed', 'cartridge.exchanged')
    WINDOW w AS (PARTITION BY life ORDER BY n)
), between_charges AS (
    SELECT c.n, sum(w.wiped_ml) AS wiped_ml FROM charges c JOIN cleanings w ON w.life = c.life AND w.n > c.before_n AND w.n < c.n
    GROUP BY c.n
), balances AS MATERIALIZED (
    SELECT subject_id, life, c.n, event_id, occurred_at, since, charge_ml + reservoir_ml AS available_ml, left_ml, before_ml,
        charge_ml + reservoir_ml - left_ml - before_ml - coalesce(w.wiped_ml, 0) AS consumed_ml, left_ml > charge_ml AS is_more
    FROM charges c LEFT JOIN between_charges w ON w.n = c.n
    WHERE kind = 'cartridge.exchanged'
), spans AS (
    SELECT b.*, lead(b.n, {KEPT_INTERVALS}) OVER (PARTITION BY b.life ORDER BY b.n) AS later_n
    FROM balances b JOIN lives l ON l.life = b.life
    WHERE b.occurred_at >= b.since + interval '1 second' AND b.n > coalesce(l.reset_n, 0)
), intervals AS (
    SELECT life, jsonb_agg(jsonb_build_array(
        available_ml,
        CASE WHEN consumed_ml >= 0 AND NOT is_more THEN consumed_ml END,
        floor(extract(epoch FROM occurred_at - since))::bigint,
        coalesce(left_ml = 0 AND before_ml = 0, false)
    ) ORDER BY n) AS intervals
    FROM spans WHERE later_n IS NULL GROUP BY life
), closed_faults AS (
    SELECT life, payload->>'mode' AS mode, max(n) AS n FROM told WHERE life IS NOT NULL AND kind = 'fault.closed' GROUP BY 1, 2
), open_faults AS (
    SELECT f.life, f.payload->>'mode' AS mode, min(f.occurred_at) AS at
    FROM told f JOIN lives l ON l.life = f.life
    LEFT JOIN closed_faults c ON c.life = f.life AND c.mode = f.payload->>'mode'
    WHERE f.kind = 'fault.found' AND l.withdrawn_at IS NULL
        AND f.n > greatest(0, c.n, CASE f.payload->>'mode' WHEN 'NOO' THEN l.exchange_n WHEN 'LOO' THEN l.change_n
            WHEN 'PLU' THEN l.dripping_n WHEN 'ELU' THEN l.leak_n END)
    GROUP BY 1, 2
), faults AS (
    SELECT life, jsonb_object_agg(mode, {_at("at")}) AS open_faults, bool_or(mode IN ({_DOWN})) AS is_down
    FROM open_faults GROUP BY life
), received AS MATERIALIZED (
    SELECT subject_id, event_id, payload->>'kind' AS kind, occurred_at FROM told WHERE kind = 'report.received'
), closings AS MATERIALIZED (
    SELECT t.subject_id, t.n, t.payload->>'report_event_id' AS report_event_id, r.event_id IS NOT NULL AND row_number() OVER (
        PARTITION BY t.subject_id, t.payload->>'report_event_id' ORDER BY t.n) = 1 AS closes
    FROM told t
    LEFT JOIN received r ON r.subject_id = t.subject_id AND r.event_id = (t.payload->>'report_event_id')::uuid
    WHERE t.kind = 'report.closed'
), still_open AS MATERIALIZED (
    SELECT * FROM received r WHERE NOT EXISTS (
        SELECT FROM closings c WHERE c.subject_id = r.subject_id AND c.report_event_id::uuid = r.event_id
    )
), reports AS (
    SELECT subject_id, jsonb_object_agg(event_id, jsonb_build_array(kind, {_at("occurred_at")})) AS reports
    FROM still_open GROUP BY subject_id
), early AS (
    SELECT subject_id, jsonb_agg(report_event_id ORDER BY n) AS closed_before_received
    FROM closings WHERE NOT closes GROUP BY subject_id
), words AS (
    SELECT subject_id, jsonb_object_agg(
        (payload->>'kind') || '/' || (payload->>'first_day'), {_at("occurred_at")} ORDER BY n
    ) AS acknowledged
    FROM told WHERE kind = 'alert.acknowledged' GROUP BY subject_id
), found AS MATERIALIZED (
    SELECT subject_id, 'installed_twice' AS code, event_id, occurred_at FROM told WHERE kind = 'again'
    UNION ALL
    SELECT t.subject_id, CASE WHEN t.n > s.life THEN 'touched_after_withdrawal' ELSE 'serviced_before_installed' END,
        t.event_id, t.occurred_at
    FROM told t
    LEFT JOIN (SELECT subject_id, min(life) AS life FROM spells GROUP BY subject_id) s ON s.subject_id = t.subject_id
    WHERE t.life IS NULL AND t.kind NOT IN {_ANYTIME}
    UNION ALL
    SELECT subject_id, 'more_left_than_filled', event_id, occurred_at FROM balances
    WHERE consumed_ml < 0 OR (is_more AND before_ml IS NOT NULL)
    UNION ALL
    SELECT subject_id, 'clock_ahead', event_id, occurred_at FROM numbered WHERE is_ahead AND stands
), findings AS (
    SELECT subject_id, jsonb_agg(
        jsonb_build_array(code, event_id, {_at("occurred_at")}) ORDER BY occurred_at, event_id, code COLLATE "C"
    ) AS findings
    FROM found GROUP BY subject_id
), states AS MATERIALIZED (
    SELECT l.unit_id,
        l.life IS NOT NULL AND l.withdrawn_at IS NULL AS is_installed,
        CASE WHEN l.life IS NULL THEN 'printed' WHEN l.withdrawn_at IS NOT NULL THEN 'withdrawn' WHEN f.is_down THEN 'down'
            WHEN f.life IS NOT NULL THEN 'degraded' ELSE 'up' END AS status,
        l.exchange_at,
        (s.payload->>'station_id')::uuid AS station_id,
        jsonb_build_object(
            'station_id', s.payload->'station_id',
            'installed_at', {_at("i.occurred_at")},
            'withdrawn_at', {_at("l.withdrawn_at")},
            'ever_installed', l.life IS NOT NULL,
            'cartridge_id', c.payload->'cartridge_id',
            'charge_ml', c.payload->'charge_ml',
            'charged_at', {_at("c.occurred_at")},
            'reservoir_after_ml', CASE WHEN l.exchange_n IS NOT NULL THEN coalesce((c.payload->>'reservoir_after_ml')::integer, 0) ELSE 0 END,
            'wiped_out_ml', coalesce(y.since_charge_ml, 0),
            'last_exchange_at', {_at("l.exchange_at")},
            'level_ml', CASE WHEN v.n IS NOT NULL THEN greatest(0, CASE WHEN v.kind = 'level.read'
                THEN (v.payload->>'cartridge_left_ml')::integer + (v.payload->>'reservoir_ml')::integer
                ELSE (v.payload->>'charge_ml')::integer + coalesce((v.payload->>'reservoir_after_ml')::integer, 0) END
                - coalesce(y.since_level_ml, 0)) END
        ) || jsonb_build_object(
            'level_at', {_at("v.occurred_at")},
            'left_at_exchange_ml', c.payload->'cartridge_left_ml',
            'intervals', coalesce(b.intervals, '[]'),
            'set_dose_ml_per_day', d.payload->'dose_ml_per_day',
            'wick_since', {_at("coalesce(l.change_at, CASE WHEN i.payload->>'wick' = 'new' THEN i.occurred_at END)")},
            'wick_condition', CASE WHEN l.check_n > coalesce(l.refresh_n, 0) THEN k.payload->'condition' END,
            'wick_checked_at', {_at("k.occurred_at")},
            'wick_washed_at', CASE WHEN l.wash_n > coalesce(l.change_n, 0) THEN {_at("l.wash_at")} END,
            'reservoir_cleaned_at', {_at("l.cleaned_at")},
            'outlet_cleared_at', {_at("l.cleared_at")},
            'open_faults', coalesce(f.open_faults, '{{}}'),
            'reports', coalesce(r.reports, '{{}}'),
            'closed_before_received', coalesce(e.closed_before_received, '[]'),
            'acknowledged', coalesce(w.acknowledged, '{{}}'),
            'findings', coalesce(g.findings, '[]'),
            'last_key', CASE WHEN z.n IS NOT NULL
                THEN jsonb_build_array({_at("z.occurred_at")}, z.device_id, z.device_sequence, z.event_id) END
        ) AS history
    FROM lives l
    LEFT JOIN chosen i ON i.n = l.life
    LEFT JOIN chosen s ON s.n = l.station_n
    LEFT JOIN chosen c ON c.n = l.charge_n
    LEFT JOIN chosen v ON v.n = l.level_n
    LEFT JOIN chosen k ON k.n = l.check_n
    LEFT JOIN chosen d ON d.n = l.dose_n
    LEFT JOIN chosen z ON z.n = l.last_n
    LEFT JOIN wiped y ON y.life = l.life
    LEFT JOIN intervals b ON b.life = l.life
    LEFT JOIN faults f ON f.life = l.life
    LEFT JOIN reports r ON r.subject_id = l.unit_id
    LEFT JOIN early e ON e.subject_id = l.unit_id
    LEFT JOIN words w ON w.subject_id = l.unit_id
    LEFT JOIN findings g ON g.subject_id = l.unit_id
), placed AS MATERIALIZED (
    SELECT u.*, m.site_id
    FROM states u
    LEFT JOIN fleet_station p ON p.operator_id = %(operator)s AND p.id = u.station_id
    LEFT JOIN fleet_restroom m ON m.operator_id = %(operator)s AND m.id = p.restroom_id
)
"""

_STORE_SQL = f"""
WITH {_PARTS_SQL}, stored AS (
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
