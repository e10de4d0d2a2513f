"""From unit states and master data to due segments and outlooks, written anew."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from uuid import UUID

from servicing.models import UnitState
from servicing.projections import storing
from servicing.projections.storing import Changes
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
