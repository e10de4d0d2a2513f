"""Which units: by where they hang, their state, and how they stand today. Ids, to narrow a list of units with."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from accounts import clock
from accounts import queries as accounts
from servicing.models import DueSegment, UnitState
from servicing.rules.due import Band


def unit_ids_at(
    *, site_id: UUID | None = None, crew_id: UUID | None = None, status: str | None = None
) -> QuerySet[Any]:
    """Ids of units with events: hanging at a site, at the sites of a usual crew, or in a state."""
    wanted: dict[str, Any] = {"site_id": site_id, "site__crew_id": crew_id, "status": status}
    named = {name: value for name, value in wanted.items() if value is not None}
    return UnitState.objects.filter(**named).values("unit_id")


def unit_ids_beyond_printing() -> QuerySet[Any]:
    """Ids of units that were installed at some time."""
    return UnitState.objects.exclude(status="printed").values("unit_id")


def unit_ids_in_band(band: Band) -> QuerySet[Any]:
    """Ids of units in a band on their zone's date today; for ``none``, those in any other (to be left out)."""
    today = Q(pk__in=[])
    for zone in accounts.site_zones():
        day = clock.today(zone)
        holds = Q(zone=zone, starts_on__lte=day) & (Q(ends_before=None) | Q(ends_before__gt=day))
        today |= holds & _in_band(band, day)
    return DueSegment.objects.filter(today).values("unit_id")


def _in_band(band: Band, day: Any) -> Q:
    """The same cuts as ``rules.due.band_on``."""
    return {
        Band.AHEAD: Q(opens_on__gt=day),
        Band.IN_GRACE: Q(opens_on__lte=day, past_grace_from__gt=day),
        Band.PAST_GRACE: Q(past_grace_from__lte=day, long_past_from__gt=day),
        Band.LONG_PAST: Q(long_past_from__lte=day),
        Band.STANDSTILL: Q(opens_on=None),
        Band.NONE: Q(),
    }[band]
