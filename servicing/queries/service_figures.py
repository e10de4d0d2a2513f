"""How well an operator's service is kept: due days met in time, how long others stay past grace, what crews get done."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from operator import attrgetter
from uuid import UUID

from django.db.models import Count, Sum

from accounts import clock
from accounts import queries as accounts
from fleet import queries as fleet
from servicing.models import Standstill, UnitState, Visit
from servicing.queries.reckoning import TERMS_FIELDS
from servicing.rules import due
from servicing.rules.punctuality import LateSpell, kept_due_days, late_spells
from servicing.rules.service_level import Ageing, OnTime, ageing, crew_output, on_time
from servicing.rules.shrinkage import gamma_fit
from servicing.rules.unit import UnitHistory

FEWEST_DAYS, MOST_DAYS = 7, 366
METHOD = "service-1"


@dataclass(frozen=True, slots=True)
class CrewFigures:
    """What one crew did on its visits with known minutes, and the units it handled an hour on site, with a 95 % interval.

    ``shrunk`` is the rate drawn towards that of all crews: the fair one to compare.
    """

    crew_id: UUID
    name: str
    visits: int
    units: int
    minutes: int
    per_hour: float
    low: float
    high: float
    shrunk: float


@dataclass(frozen=True, slots=True)
class ServiceFigures:
    """From ``since`` to ``until``, both included. ``sites``, ``units``: those with a due day whose grace has ended."""

    since: date
    until: date
    sites: int
    units: int
    on_time: OnTime
    ageing: Ageing
    spells: int
    crews: list[CrewFigures]
    method: str = METHOD


@dataclass(frozen=True, slots=True)
class _Served:
    """A unit's exchanges in its site's zone, the first one or its installation in ``since``; ``until`` it hung there."""

    site_id: UUID
    since: date
    exchanges: list[date]
    until: date | None


def service_figures(days: int = 90) -> ServiceFigures:
    """The figures of the last ``days`` days up to the operator's today; 7 to 366, nearer values are taken for others.

    Exchanges are those that units remember, so a unit that was withdrawn and hung up elsewhere counts from then on.
    """
    until = clock.today(accounts.get_operator().zone)
    since = until - timedelta(days=min(MOST_DAYS, max(FEWEST_DAYS, days)) - 1)
    in_time: list[bool] = []
    crew_days: list[tuple[UUID | None, date]] = []
    spells: list[LateSpell] = []
    units, counted = 0, set[UUID]()
    crews = dict(accounts.sites().values_list("id", "crew_id"))
    for served, due_days in _unit_due_days(until):
        last_on = min(until, served.until or until)
        asked = [one for one in due_days if one.opens_on > served.since]
        kept = kept_due_days(asked, served.exchanges, since=since, today=last_on)
        if kept:
            units += 1
            counted.add(served.site_id)
        in_time += [one.in_time for one in kept]
        crew_days += [(crews.get(served.site_id), one.due_on) for one in kept]
        spells += late_spells(due_days, served.exchanges, served_on=served.since, since=since, today=last_on)
    number = {key: n for n, key in enumerate(dict.fromkeys(crew_days))}
    return ServiceFigures(
        since=since,
        until=until,
        sites=len(counted),
        units=units,
        on_time=on_time(in_time, [number[key] for key in crew_days]),
        ageing=ageing(spells),
        spells=len(spells),
        crews=crew_figures(since, until),
    )


def _unit_due_days(until: date) -> Iterator[tuple[_Served, list[due.DueDay]]]:
    """Each unit that hangs or hung somewhere, with the due days of its site up to a day."""
    states = UnitState.objects.order_by("unit_id").values_list("history", flat=True)
    histories = [UnitHistory.from_json(stored) for stored in states.iterator()]
    places = fleet.stations({UUID(one.station_id) for one in histories if one.station_id})
    sites = {place.site_id for place in places.values()}
    agreed = accounts.agreed_sites(sites)
    pauses = standstills_of(sites)
    due_days = {
        site_id: due_days_of(site, pauses.get(site_id, []), until) for site_id, site in agreed.items()
    }
    for history in histories:
        place = places.get(UUID(history.station_id)) if history.station_id else None
        if place is not None and place.site_id in agreed:
            served = _served(history, place.site_id, agreed[place.site_id].zone)
            if served is not None:
                yield served, due_days[place.site_id]


def due_days_of(
    site: accounts.AgreedSite, standstills: list[due.Standstill], until: date
) -> list[due.DueDay]:
    """All due days of a site up to a day, in order."""
    found = [
        one
        for terms in site.terms
        for one in due.due_days(
            due.Terms(*(getattr(terms, name) for name in TERMS_FIELDS)), standstills, until
        )
    ]
    return sorted(found, key=attrgetter("due_on"))


def _served(history: UnitHistory, site_id: UUID, zone: str) -> _Served | None:
    if history.installed_at is None:
        return None
    exchanges = [clock.local_date(datetime.fromtimestamp(one[0], UTC), zone) for one in history.intervals]
    since = clock.local_date(datetime.fromisoformat(history.installed_at), zone)
    if history.intervals:
        first = history.intervals[0]
        since = max(since, clock.local_date(datetime.fromtimestamp(first[0] - first[1], UTC), zone))
    # What was done before the operator began here is none of its punctuality.
    elif history.last_exchange_at and history.last_exchange_at > history.installed_at:
        since = clock.local_date(datetime.fromisoformat(history.last_exchange_at), zone)
    until = (
        clock.local_date(datetime.fromisoformat(history.withdrawn_at), zone) if history.withdrawn_at else None
    )
    return _Served(site_id, since, exchanges, until)


def standstills_of(site_ids: Collection[UUID]) -> dict[UUID, list[due.Standstill]]:
    """The pauses of each of these sites that has any."""
    rows = Standstill.objects.filter(site_id__in=site_ids).order_by("site_id", "starts_on", "event_id")
    return {
        site_id: [due.Standstill(row.starts_on, row.ends_on) for row in own]
        for site_id, own in groupby(rows, key=attrgetter("site_id"))
    }


def crew_figures(since: date, until: date) -> list[CrewFigures]:
    """The crews with minutes on site from one day to another, by id."""
    names = {crew.id: crew.name for crew in accounts.crews()}
    rows = list(
        Visit.objects.filter(day__gte=since, day__lte=until, crew_id__isnull=False, minutes__gt=0)
        .order_by("crew_id")
        .values_list("crew_id")
        .annotate(Count("id"), Sum("units"), Sum("minutes"))
    )
    if not rows:
        return []
    touches, hours = [row[2] for row in rows], [row[3] / 60 for row in rows]
    output = crew_output(touches, hours, gamma_fit(touches, hours))
    return [
        CrewFigures(
            crew_id, names.get(crew_id, ""), count, units, minutes,
            *(round(float(values[n]), 3) for values in (output.per_hour, output.low, output.high, output.shrunk)),
        )
        for n, (crew_id, count, units, minutes) in enumerate(rows)
    ]  # fmt: skip
