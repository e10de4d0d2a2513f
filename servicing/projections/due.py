"""From unit states and master data to due segments and outlooks, written anew."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from uuid import UUID

import orjson
from django.db import connection

from accounts.tenancy import current_operator_id
from servicing.models import UnitState
from servicing.projections import storing
from servicing.projections.storing import Changes
from servicing.queries.reckoning import Placed, master_of, outlook_rows, placed_units, rows_of
from servicing.rules.unit import UnitHistory


def refresh(histories: Mapping[UUID, UnitHistory], site_ids: Collection[UUID] = ()) -> None:
    """Make the segments and outlooks of these units, and of all units at these sites, anew."""
    known = dict(histories)
    if site_ids:
        known |= {
            state.unit_id: UnitHistory.from_json(state.history)
            for state in UnitState.objects.filter(site_id__in=site_ids).exclude(unit_id__in=known.keys())
        }
    if known:
        storing.store(changes_of(known))


def changes_of(histories: Mapping[UUID, UnitHistory]) -> Changes:
    """The segments and outlooks of these units, all of them anew."""
    placed = placed_units(histories)
    segments, outlooks = rows_of(placed)
    return Changes(
        segments=segments,
        outlooks=outlooks,
        replanned=histories.keys(),
        gone=histories.keys() - {one.unit_id for one in placed},
    )


# What is held in memory at a time.
UNITS_AT_ONCE = 5_000

_HANGING_SQL = """
SELECT unit_id, site_id, history::text FROM servicing_unitstate
WHERE operator_id = %s AND site_id IS NOT NULL AND unit_id > %s ORDER BY unit_id LIMIT %s
"""


def refresh_outlooks() -> int:
    """Make the outlooks of all units of the operator anew; returns how many. The caller holds the operator's lock.

    Segments stay: no fit enters them.
    """
    count = 0
    for placed in _hanging():
        storing.store(Changes(outlooks=outlook_rows(placed, master_of(placed))))
        count += len(placed)
    return count


def _hanging() -> Iterator[list[Placed]]:
    last = UUID(int=0)
    with connection.cursor() as cursor:
        while True:
            cursor.execute(_HANGING_SQL, [current_operator_id(), last, UNITS_AT_ONCE])
            rows = cursor.fetchall()
            if rows:
                yield [
                    Placed(unit_id, site_id, UnitHistory.from_json(orjson.loads(history)))
                    for unit_id, site_id, history in rows
                ]
            if len(rows) < UNITS_AT_ONCE:
                return
            last = rows[-1][0]
