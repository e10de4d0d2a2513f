"""Where a unit's work was done and where it hung on which days: a walk over its events in canonical order."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from uuid import UUID

from billing.rules.inputs import Inputs, Site, Station, local_day


@dataclass(slots=True)
class Happening:
    """One event of the log with its standing at a cut: effective, superseded or clock_ahead.

    ``station_id`` only from ``unit.installed``, ``unit.moved`` and ``unit.opened``; ``site_id`` only where the event names its site.
    ``reason`` is a visit's, why it was not let in or called off; ``mode`` and ``detection`` are a fault's.
    """

    event_id: UUID
    type: str
    subject_id: UUID
    occurred_at: datetime
    device_id: UUID
    device_sequence: int
    standing: str = "effective"
    superseded_by: UUID | None = None
    station_id: UUID | None = None
    site_id: UUID | None = None
    visit_id: UUID | None = None
    reason: str = ""
    mode: str = ""
    detection: str = ""

    @property
    def canonical_key(self) -> tuple[datetime, UUID, int, UUID]:
        return (self.occurred_at, self.device_id, self.device_sequence, self.event_id)


class Footing(StrEnum):
    """How an event stands to the history of its subject."""

    FIRM = "firm"
    NOT_IN_SERVICE = "not_in_service"
    ALREADY_INSTALLED = "already_installed"
    UNKNOWN_STATION = "unknown_station"


@dataclass(slots=True)
class Stood:
    """Where an event's work was done, its local date there, and whether the history bears it."""

    day: date
    footing: Footing
    site: Site | None = None
    station: Station | None = None


@dataclass(frozen=True, slots=True)
class Stay:
    """A unit hung at a station from a day on, until the day before ``ends_before`` (None: still there)."""

    station: Station
    starts_on: date
    ends_before: date | None


def in_order(happenings: Iterable[Happening]) -> list[Happening]:
    """Canonical order: by time, device, device sequence and event id, whatever the order of arrival."""
    return sorted(happenings, key=lambda h: h.canonical_key)


def stood_at_site(inputs: Inputs, happening: Happening) -> Stood:
    """The place of an event that names its site itself (a visit)."""
    site = inputs.sites.get(happening.site_id) if happening.site_id else None
    if site is None:
        return Stood(_operators_day(inputs, happening), Footing.UNKNOWN_STATION)
    return Stood(site.date_of(happening.occurred_at), Footing.FIRM, site)


def walk(inputs: Inputs, happenings: Sequence[Happening]) -> tuple[dict[UUID, Stood], list[Stay]]:
    """Where each effective event of one unit was done, and the unit's stays by local dates.

    A move's date, as the new site has it, ends the old stay and begins the new one, so no day is counted twice.
    Installing a unit that already hangs somewhere moves it; the installation itself is not borne by the history.
    Moving, withdrawing or serving a unit that does not hang anywhere changes nothing. A unit that hung before its operator
    began is opened: it stays from that day on, if nothing was known of it before.
    """
    stood: dict[UUID, Stood] = {}
    stays: list[Stay] = []
    hangs = was_here = False
    here: Station | None = None  # None while it hangs at a station the operator does not have
    since = date.min

    for happening in in_order(h for h in happenings if h.standing == "effective"):
        comes = (
            happening.type == "unit.installed"
            or (happening.type == "unit.moved" and hangs)
            or (happening.type == "unit.opened" and not was_here)
        )
        station = inputs.stations.get(happening.station_id) if comes and happening.station_id else here
        site = inputs.sites.get(station.site_id) if station is not None else None
        day = site.date_of(happening.occurred_at) if site else _operators_day(inputs, happening)
        if not (comes or hangs):
            stood[happening.event_id] = Stood(day, Footing.NOT_IN_SERVICE)
            continue
        footing = Footing.FIRM if site is not None else Footing.UNKNOWN_STATION
        if happening.type in {"unit.installed", "unit.opened"} and hangs:
            footing = Footing.ALREADY_INSTALLED
        stood[happening.event_id] = Stood(day, footing, site, station)
        if comes or happening.type == "unit.withdrawn":
            # A site further west may still have the day before: the earlier stay keeps that day.
            until = max(day, since)
            if here is not None:
                stays.append(Stay(here, since, until))
            hangs, here, since = comes, station if comes else None, until
            was_here = True
    if here is not None:
        stays.append(Stay(here, since, None))
    return stood, [s for s in stays if s.ends_before is None or s.starts_on < s.ends_before]


def _operators_day(inputs: Inputs, happening: Happening) -> date:
    return local_day(happening.occurred_at, inputs.operator.zone)
