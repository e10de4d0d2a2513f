"""Writing unit states: one statement for many, from one JSON parameter."""

from __future__ import annotations

import json
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from fleet import queries as fleet
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


def unit_columns(histories: dict[UUID, UnitHistory]) -> list[dict[str, object]]:
    """The row of each unit's state, in the form that is stored and compared."""
    places = fleet.stations([UUID(h.station_id) for h in histories.values() if h.station_id])
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


def store_units(histories: dict[UUID, UnitHistory]) -> None:
    if not histories:
        return
    with connection.cursor() as cursor:
        cursor.execute(
            _UPSERT_SQL, {"operator": current_operator_id(), "states": json.dumps(unit_columns(histories))}
        )
