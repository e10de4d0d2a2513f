"""From unit states and master data to due segments and outlooks, written anew."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from uuid import UUID

from servicing.log import paused_collection
from servicing.models import UnitState
from servicing.projections import storing
from servicing.projections.storing import Changes
from servicing.queries.learning import placed_of, told
from servicing.queries.outlooks import outlook_rows, rows_of
from servicing.queries.reckoning import Placed, master_of, placed_units
from servicing.rules.forecasting.dry import FleetRead
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


@paused_collection()
def refresh_outlooks() -> int:
    """Make the outlooks of all units of the operator anew; returns how many. The caller holds the operator's lock.

    Segments stay: no fit enters them.
    """
    count, units = 0, told(UNITS_AT_ONCE)
    while units:
        count += write_outlooks(placed_of(units))
        units = told(UNITS_AT_ONCE, units[-1].unit_id)
    return count


def write_outlooks(placed: Sequence[Placed], read: FleetRead | None = None) -> int:
    """Write the outlooks of these units, whose histories are what is stored; returns how many they are.

    ``read``: their intervals in columns, where they are made already.
    """
    for start in range(0, len(placed), UNITS_AT_ONCE):
        part = placed[start : start + UNITS_AT_ONCE]
        of_part = read if len(part) == len(placed) else None
        storing.store_outlooks(outlook_rows(part, master_of(part), of_part))
    return len(placed)
