"""Writing unit states: one statement for many, from one JSON parameter."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing.rules.unit import UnitHistory

_UPSERT_SQL = """
INSERT INTO servicing_unitstate (operator_id, unit_id, site_id, station_id, status, last_exchange_at, history)
SELECT %(operator)s, unit_id, site_id, station_id, status, last_exchange_at, history
FROM jsonb_to_recordset(%(states)s::jsonb) AS (
    unit_id uuid, site_id uuid, station_id uuid, status text, last_exchange_at timestamptz, history jsonb
)
ON CONFLICT (operator_id, unit_id) DO UPDATE SET
    site_id = excluded.site_id, station_id = excluded.station_id, status = excluded.status,
    last_exchange_at = excluded.last_exchange_at, history = excluded.history
"""


def places_of(histories: Mapping[UUID, UnitHistory]) -> dict[UUID, StationPlace]:
    """The stations that these histories name."""
    return fleet.stations({UUID(h.station_id) for h in histories.values() if h.station_id})


def unit_columns(
    histories: Mapping[UUID, UnitHistory], places: Mapping[UUID, StationPlace]
) -> list[dict[str, object]]:
    """The row of each unit's state, in the form that is stored and compared."""
    rows: list[dict[str, object]] = []
    for unit_id, history in sorted(histories.items()):
        place = places.get(UUID(history.station_id)) if history.station_id and history.is_installed else None
        rows.append(
            {
                "unit_id": str(unit_id),
                "site_id": str(place.site_id) if place else None,
                "station_id": str(place.station_id) if place else None,
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


def report_rows(
    histories: Mapping[UUID, UnitHistory], places: Mapping[UUID, StationPlace]
) -> list[dict[str, object]]:
    """The open reports about units, each with the site where its unit hangs."""
    return [
        {
            "event_id": UUID(event_id),
            "unit_id": unit_id,
            "site_id": places[UUID(history.station_id)].site_id if history.station_id else None,
            "kind": kind,
            "received_at": at,
        }
        for unit_id, history in histories.items()
        for event_id, (kind, at) in history.reports.items()
    ]


def store_units(histories: Mapping[UUID, UnitHistory], places: Mapping[UUID, StationPlace]) -> None:
    if not histories:
        return
    with connection.cursor() as cursor:
        cursor.execute(
            _UPSERT_SQL,
            {"operator": current_operator_id(), "states": json.dumps(unit_columns(histories, places))},
        )


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


def move_checkpoint(projection: str, position: int) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE servicing_checkpoint SET position = %s WHERE operator_id = %s AND projection = %s",
            [position, current_operator_id(), projection],
        )


def stored_histories(unit_ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """The histories of these units as they are stored; a unit without one is left out."""
    if not unit_ids:
        return {}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT unit_id, history::text FROM servicing_unitstate WHERE operator_id = %s AND unit_id = ANY(%s)",
            [current_operator_id(), list(unit_ids)],
        )
        return {unit_id: json.loads(history) for unit_id, history in cursor.fetchall()}
