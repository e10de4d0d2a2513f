"""Writing what is folded: one statement for all of it, each table's rows from one JSON parameter."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from servicing.queries.prepared import array, row_of
from servicing.rules.unit import UnitHistory

Row = Mapping[str, Any]


class CheckpointMoved(RuntimeError):
    """Somebody else folded the same events meanwhile; nothing of this transaction may stay."""


@dataclass(slots=True)
class Changes:
    """Rows to be written, as plain JSON values. ``replanned``: the units whose segments these are, all of them;
    ``gone``: the units that hang nowhere, whose outlooks and segments go. ``checkpoint``: projection, from, to.
    """

    states: Sequence[Row] = ()
    segments: Sequence[Row] = ()
    outlooks: Sequence[Row] = ()
    visits: Sequence[Row] = ()
    replanned: Collection[UUID] = ()
    gone: Collection[UUID] = ()
    checkpoint: tuple[str, int, int] | None = None


def store(changes: Changes) -> None:
    """Write these rows. Raises CheckpointMoved where the checkpoint is not where it was read."""
    values = {
        "operator": current_operator_id(),
        "states": _json(changes.states),
        "segments": _json(changes.segments),
        "outlooks": _json(changes.outlooks),
        "visits": _json(changes.visits),
        "replanned": array({*changes.replanned, *changes.gone}),
        "gone": array(changes.gone),
    }
    if changes.checkpoint is None:
        row_of(_STORE_SQL + "SELECT 1", values)
        return
    projection, before, after = changes.checkpoint
    (moved,) = row_of(
        _STORE_SQL + _MOVE_SQL,
        {**values, "projection": projection, "before": str(before), "after": str(after)},
    )
    if not moved:
        raise CheckpointMoved(f"The checkpoint of {projection} no longer stands at {before}.")


def _json(rows: Sequence[Row]) -> str:
    return orjson.dumps(rows).decode()


SEGMENT_COLUMNS = "unit_id, site_id, zone, kind, starts_on, ends_before, due_on, opens_on, past_grace_from, long_past_from, is_reopen"
OUTLOOKS = {
    "unit_id": "uuid", "site_id": "uuid", "dose_ml_per_day": "numeric", "dry_on": "date", "dry_soon_from": "date",
    "wick_since_on": "date", "wick_watch_from": "date", "empty_on": "date", "dry_earliest_on": "date", "dry_latest_on": "date",
    "chance_dry": "numeric", "latest_on": "date", "dry_advice": "text", "drift": "text", "drift_since_on": "date",
    "drift_advice": "text", "wick_chance": "numeric", "wick_advice": "text", "wick_reason": "text", "wick_saving": "numeric",
    "clean_due_on": "date", "basis": "jsonb",
}  # fmt: skip
OUTLOOK_COLUMNS = ", ".join(OUTLOOKS)
_OUTLOOK_TYPES = ", ".join(f"{name} {kind}" for name, kind in OUTLOOKS.items())
STATE_COLUMNS = "unit_id, site_id, station_id, status, last_exchange_at, history"
VISIT_COLUMNS = "id, site_id, crew_id, day, occurred_at, outcome, reason, minutes, units"


def _replace(columns: str, key: set[str]) -> str:
    return ", ".join(f"{name} = excluded.{name}" for name in columns.split(", ") if name not in key)


# The parts of one statement see the same moment: a segment is deleted or replaced, never both.
_STORE_SQL = f"""
WITH planned AS MATERIALIZED (
    SELECT * FROM jsonb_to_recordset(%(segments)s::jsonb) AS (
        unit_id uuid, site_id uuid, zone text, kind text, starts_on date, ends_before date, due_on date, opens_on date,
        past_grace_from date, long_past_from date, is_reopen boolean
    )
), unplanned AS (
    DELETE FROM servicing_duesegment d
    WHERE d.operator_id = %(operator)s AND d.unit_id = ANY(%(replanned)s::uuid[]) AND %(replanned)s <> '{{}}'
        AND NOT EXISTS (SELECT FROM planned p WHERE p.unit_id = d.unit_id AND p.starts_on = d.starts_on)
), segments AS (
    INSERT INTO servicing_duesegment (operator_id, {SEGMENT_COLUMNS})
    SELECT %(operator)s, {SEGMENT_COLUMNS} FROM planned
    ON CONFLICT (operator_id, unit_id, starts_on) DO UPDATE
    SET {_replace(SEGMENT_COLUMNS, {"unit_id", "starts_on"})}
), states AS (
    INSERT INTO servicing_unitstate (operator_id, {STATE_COLUMNS})
    SELECT %(operator)s, {STATE_COLUMNS} FROM jsonb_to_recordset(%(states)s::jsonb) AS (
        unit_id uuid, site_id uuid, station_id uuid, status text, last_exchange_at timestamptz, history jsonb
    )
    ON CONFLICT (operator_id, unit_id) DO UPDATE SET {_replace(STATE_COLUMNS, {"unit_id"})}
), outlooks AS (
    INSERT INTO servicing_outlook (operator_id, {OUTLOOK_COLUMNS})
    SELECT %(operator)s, {OUTLOOK_COLUMNS} FROM jsonb_to_recordset(%(outlooks)s::jsonb) AS ({_OUTLOOK_TYPES})
    ON CONFLICT (operator_id, unit_id) DO UPDATE SET {_replace(OUTLOOK_COLUMNS, {"unit_id"})}
), gone AS (
    DELETE FROM servicing_outlook
    WHERE operator_id = %(operator)s AND unit_id = ANY(%(gone)s::uuid[]) AND %(gone)s <> '{{}}'
), visits AS (
    INSERT INTO servicing_visit (operator_id, {VISIT_COLUMNS})
    SELECT %(operator)s, {VISIT_COLUMNS} FROM jsonb_to_recordset(%(visits)s::jsonb) AS (
        id uuid, site_id uuid, crew_id uuid, day date, occurred_at timestamptz, outcome text, reason text,
        minutes integer, units integer
    )
    ON CONFLICT (operator_id, id) DO UPDATE SET {_replace(VISIT_COLUMNS, {"id"})}
)
"""

_MOVE_SQL = """
, moved AS (
    INSERT INTO servicing_checkpoint AS c (operator_id, projection, position)
    VALUES (%(operator)s, %(projection)s, %(after)s::bigint)
    ON CONFLICT (operator_id, projection) DO UPDATE SET position = excluded.position
    WHERE c.position = %(before)s::bigint
    RETURNING position
)
SELECT count(*) FROM moved
"""


# An array a column: the server reads a fleet's rows from these sooner than from JSON.
_UPDATE_OUTLOOKS_SQL = f"""
UPDATE servicing_outlook o SET {", ".join(f"{name} = t.{name}" for name in OUTLOOKS if name != "unit_id")}
FROM unnest({", ".join(f"%s::{kind}[]" for kind in OUTLOOKS.values())}) AS t ({OUTLOOK_COLUMNS})
WHERE o.operator_id = %s AND o.unit_id = t.unit_id
"""


def store_outlooks(rows: Sequence[Row]) -> None:
    """Write the outlooks of many units, whose rows are most often there already."""
    arrays = [_array([row[name] for row in rows], kind) for name, kind in OUTLOOKS.items()]
    with connection.cursor() as cursor:
        cursor.execute(_UPDATE_OUTLOOKS_SQL, [*arrays, current_operator_id()])
        if cursor.rowcount < len(rows):
            store(Changes(outlooks=rows))


def _array(values: Sequence[Any], kind: str) -> str:
    """The text of an array. Ids, dates and words of ours stand as they are; JSON is quoted."""
    if kind == "jsonb":
        return "{" + ",".join([_quoted(orjson.dumps(value).decode()) for value in values]) + "}"
    empty = '""' if kind == "text" else "NULL"
    return "{" + ",".join([empty if value is None or value == "" else str(value) for value in values]) + "}"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def places_of(histories: Mapping[UUID, UnitHistory]) -> dict[UUID, UUID]:
    """The site of each station that these histories name."""
    named = {UUID(h.station_id) for h in histories.values() if h.station_id}
    return {place.station_id: place.site_id for place in fleet.stations(named).values()}


def unit_columns(
    histories: Mapping[UUID, UnitHistory], sites: Mapping[UUID, UUID]
) -> list[dict[str, object]]:
    """The row of each unit's state, in the form that is stored and compared; ``sites`` by station."""
    rows: list[dict[str, object]] = []
    for unit_id, history in sorted(histories.items()):
        site_id = sites.get(UUID(history.station_id)) if history.station_id and history.is_installed else None
        rows.append(
            {
                "unit_id": str(unit_id),
                "site_id": str(site_id) if site_id else None,
                "station_id": history.station_id if site_id else None,
                "status": history.status,
                "last_exchange_at": history.last_exchange_at,
                "history": history.to_json(),
            }
        )
    return rows


def finding_rows(histories: Mapping[UUID, UnitHistory]) -> list[dict[str, object]]:
    return [
        {
            "subject_kind": "unit",
            "subject_id": unit_id,
            "code": code,
            "event_id": UUID(event_id),
            "occurred_at": at,
        }
        for unit_id, history in histories.items()
        for code, event_id, at in history.findings
    ]


def report_rows(histories: Mapping[UUID, UnitHistory], sites: Mapping[UUID, UUID]) -> list[dict[str, object]]:
    """The open reports about units, each with the site where its unit hangs."""
    return [
        {
            "event_id": UUID(event_id),
            "unit_id": unit_id,
            "site_id": sites[UUID(history.station_id)] if history.station_id else None,
            "kind": kind,
            "received_at": at,
        }
        for unit_id, history in histories.items()
        for event_id, (kind, at) in history.reports.items()
    ]


_CHECKPOINT_SQL = """
INSERT INTO servicing_checkpoint (operator_id, projection, position) VALUES (%s, %s, 0)
ON CONFLICT (operator_id, projection) DO UPDATE SET position = servicing_checkpoint.position
RETURNING position
"""


def lock_checkpoint(projection: str) -> int:
    """The position up to which a projection has folded, its row locked until commit; 0 where it begins."""
    with connection.cursor() as cursor:
        cursor.execute(_CHECKPOINT_SQL, [current_operator_id(), projection])
        return int(cursor.fetchone()[0])


def read_checkpoint(projection: str) -> int:
    """The position up to which a projection has folded; 0 where it begins. ``store`` says if it moves meanwhile."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT position FROM servicing_checkpoint WHERE operator_id = %s AND projection = %s",
            [current_operator_id(), projection],
        )
        row = cursor.fetchone()
        return int(row[0]) if row else 0


def move_checkpoint(projection: str, position: int) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE servicing_checkpoint SET position = %s WHERE operator_id = %s AND projection = %s",
            [position, current_operator_id(), projection],
        )
