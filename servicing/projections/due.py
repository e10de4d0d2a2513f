"""From unit states and master data to due segments and outlooks: which due day is open when, and what wears out when."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from servicing.models import UnitState
from servicing.queries.reckoning import placed_units, rows_of
from servicing.rules.unit import UnitHistory


def refresh(histories: Mapping[UUID, UnitHistory], site_ids: Collection[UUID] = ()) -> None:
    """Make the segments and outlooks of these units, and of all units at these sites, anew."""
    known = dict(histories)
    if site_ids:
        known |= {
            state.unit_id: UnitHistory.from_json(state.history)
            for state in UnitState.objects.filter(site_id__in=site_ids).exclude(unit_id__in=known.keys())
        }
    if not known:
        return
    segments, outlooks = rows_of(placed_units(known))
    with connection.cursor() as cursor:
        values: dict[str, Any] = {
            "operator": current_operator_id(),
            "units": list(known),
            "segments": json.dumps(segments),
            "outlooks": json.dumps(outlooks),
        }
        cursor.execute(_REPLACE, values)


SEGMENT_COLUMNS = "unit_id, site_id, zone, kind, starts_on, ends_before, due_on, opens_on, past_grace_from, long_past_from, is_reopen"
OUTLOOK_COLUMNS = "unit_id, site_id, dose_ml_per_day, dry_on, dry_soon_from, wick_since_on, wick_watch_from"

# Four statements on one way to the server (values are bound on this side of it, as Django does).
_REPLACE = f"""
DELETE FROM servicing_duesegment WHERE operator_id = %(operator)s AND unit_id = ANY(%(units)s);
DELETE FROM servicing_outlook WHERE operator_id = %(operator)s AND unit_id = ANY(%(units)s);
INSERT INTO servicing_duesegment (operator_id, {SEGMENT_COLUMNS})
SELECT %(operator)s, {SEGMENT_COLUMNS} FROM jsonb_to_recordset(%(segments)s::jsonb) AS (
    unit_id uuid, site_id uuid, zone text, kind text, starts_on date, ends_before date, due_on date, opens_on date,
    past_grace_from date, long_past_from date, is_reopen boolean
);
INSERT INTO servicing_outlook (operator_id, {OUTLOOK_COLUMNS})
SELECT %(operator)s, {OUTLOOK_COLUMNS} FROM jsonb_to_recordset(%(outlooks)s::jsonb) AS (
    unit_id uuid, site_id uuid, dose_ml_per_day numeric, dry_on date, dry_soon_from date, wick_since_on date,
    wick_watch_from date
)
"""
