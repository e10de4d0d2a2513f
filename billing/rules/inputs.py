"""What a close reads beside the log, frozen: price list, places, sites with their agreements and standstills.

A close stores these as JSON. Rating reads nothing else, so replaying an old close gives the same bytes whatever the
office has renamed since.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo


class Basis(StrEnum):
    UNIT_MONTH = "unit_month"
    EVENT = "event"
    INSTALL = "install"
    SITE_MONTH = "site_month"
    EXTRA_UNIT = "extra_unit"
    VISIT = "visit"
    CALL_OUT = "call_out"


@dataclass(frozen=True, slots=True)
class Version:
    """A price from ``effective_from`` on, until the day before ``effective_to`` (None: for ever)."""

    id: UUID
    amount: Decimal
    currency: str
    effective_from: date
    effective_to: date | None


@dataclass(frozen=True, slots=True)
class Item:
    """What is priced. An empty fixture means any; ``event_type`` only with the basis ``event``."""

    code: str
    name: str
    basis: Basis
    fixture: str
    event_type: str
    versions: tuple[Version, ...]

    def version_on(self, day: date) -> Version | None:
        """The price valid on a day; None in a gap."""
        return next((v for v in self.versions if covers(v.effective_from, v.effective_to, day)), None)


@dataclass(frozen=True, slots=True)
class Agreement:
    id: UUID
    number: str
    starts_on: date
    ends_before: date | None


@dataclass(frozen=True, slots=True)
class Standstill:
    """A dated pause; ``ends_on`` is its last day. ``billing`` is what its days cost: full, half or none."""

    starts_on: date
    ends_on: date | None
    billing: str


@dataclass(frozen=True, slots=True)
class Site:
    id: UUID
    code: str
    name: str
    zone: str
    customer_id: UUID
    agreements: tuple[Agreement, ...]
    standstills: tuple[Standstill, ...]

    def date_of(self, instant: datetime) -> date:
        """The calendar date an instant has at the site."""
        return local_day(instant, self.zone)

    def agreement_on(self, day: date) -> Agreement | None:
        return next((a for a in self.agreements if covers(a.starts_on, a.ends_before, day)), None)

    def halves_on(self, day: date) -> int:
        """What a day in service counts, in half days: 2, or 1 or 0 in a standstill billed half or not at all.

        Where standstills overlap the one recorded last holds.
        """
        for pause in reversed(self.standstills):
            if pause.starts_on <= day and (pause.ends_on is None or day <= pause.ends_on):
                return {"full": 2, "half": 1, "none": 0}[pause.billing]
        return 2


@dataclass(frozen=True, slots=True)
class Station:
    id: UUID
    site_id: UUID
    restroom: str
    name: str
    fixture: str

    @property
    def label(self) -> str:
        return f"{self.restroom}, {self.name}"


@dataclass(frozen=True, slots=True)
class Customer:
    id: UUID
    code: str
    name: str
    address: str
    country: str
    billing_email: str


@dataclass(frozen=True, slots=True)
class Operator:
    id: UUID
    legal_name: str
    currency: str
    zone: str


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything a close reads beside the log. ``units`` gives each unit's label code."""

    operator: Operator
    items: tuple[Item, ...]
    sites: Mapping[UUID, Site]
    stations: Mapping[UUID, Station]
    units: Mapping[UUID, str]
    customers: Mapping[UUID, Customer]

    def items_for(self, basis: Basis, *, fixture: str = "", event_type: str = "") -> list[Item]:
        """The price items of a piece of work: the one for this fixture first, then the one for any."""
        found = [i for i in self.items if (i.basis, i.event_type) == (basis, event_type)]
        return sorted((i for i in found if i.fixture in {fixture, ""}), key=lambda item: item.fixture == "")

    @property
    def prices_from(self) -> date | None:
        """The first day any price is valid; what happened before it is not billable. None without prices."""
        return min((v.effective_from for i in self.items for v in i.versions), default=None)


def local_day(instant: datetime, zone: str) -> date:
    """The calendar date of an aware instant in an IANA zone."""
    return instant.astimezone(ZoneInfo(zone)).date()


def price_on(items: Iterable[Item], day: date) -> tuple[Item, Version | None] | None:
    """The first of these items that has begun by a day, and its price then (None: a gap in its prices).

    Before its first price an item is not there, so that a new one changes no day before it.
    """
    for item in items:
        if any(version.effective_from <= day for version in item.versions):
            return item, item.version_on(day)
    return None


def covers(starts_on: date, ends_before: date | None, day: date) -> bool:
    return starts_on <= day and (ends_before is None or day < ends_before)


def frozen(inputs: Inputs) -> dict[str, Any]:
    """The inputs as plain JSON: ids and dates as text, decimals as plain text, rows in the order of their ids."""
    return {
        "customers": [_row(c) for c in _ordered(inputs.customers)],
        "items": [_row(i) | {"versions": [_row(v) for v in i.versions]} for i in inputs.items],
        "operator": _row(inputs.operator),
        "sites": [
            _row(s)
            | {"agreements": [_row(a) for a in s.agreements], "standstills": [_row(p) for p in s.standstills]}
            for s in _ordered(inputs.sites)
        ],
        "stations": [_row(s) for s in _ordered(inputs.stations)],
        "units": [[str(unit_id), inputs.units[unit_id]] for unit_id in sorted(inputs.units)],
    }


def thawed(data: Mapping[str, Any]) -> Inputs:
    """The inputs a close stored; the inverse of ``frozen``."""
    sites = [_site(row) for row in data["sites"]]
    stations = [Station(**_typed(row, ids=("id", "site_id"))) for row in data["stations"]]
    customers = [Customer(**_typed(row, ids=("id",))) for row in data["customers"]]
    return Inputs(
        operator=Operator(**_typed(data["operator"], ids=("id",))),
        items=tuple(_item(row) for row in data["items"]),
        sites={s.id: s for s in sites},
        stations={s.id: s for s in stations},
        units={UUID(unit_id): code for unit_id, code in data["units"]},
        customers={c.id: c for c in customers},
    )


def changed_sites(before: Inputs, now: Inputs, until: date) -> set[UUID]:
    """Sites whose days before ``until`` would be rated otherwise now: terms, pauses, zone or a station changed."""
    changed = {
        site_id
        for site_id, site in before.sites.items()
        if site_id in now.sites and _terms_until(site, until) != _terms_until(now.sites[site_id], until)
    }
    for station_id, station in before.stations.items():
        new = now.stations.get(station_id)
        if new is not None and (new.site_id, new.fixture) != (station.site_id, station.fixture):
            changed |= {station.site_id, new.site_id}
    return changed


def _terms_until(site: Site, until: date) -> tuple[Any, ...]:
    agreements = [
        (a.id, a.starts_on, _clipped(a.ends_before, until)) for a in site.agreements if a.starts_on < until
    ]
    pauses = [
        (p.starts_on, None if p.ends_on is None or p.ends_on >= until else p.ends_on, p.billing)
        for p in site.standstills
        if p.starts_on < until
    ]
    return (site.zone, agreements, pauses)


def _clipped(ends_before: date | None, until: date) -> date | None:
    return None if ends_before is None or ends_before >= until else ends_before


def _ordered(rows: Mapping[UUID, Any]) -> Iterable[Any]:
    return [rows[key] for key in sorted(rows)]


def _row(record: Any) -> dict[str, Any]:
    values = {name: getattr(record, name) for name in record.__slots__}
    return {name: _text(value) for name, value in values.items() if not isinstance(value, tuple)}


def _text(value: Any) -> str | None:
    if isinstance(value, Decimal):
        return format(value, "f")
    return None if value is None else str(value)


def _typed(
    row: Mapping[str, Any],
    *,
    ids: tuple[str, ...] = (),
    days: tuple[str, ...] = (),
    drop: tuple[str, ...] = (),
) -> dict[str, Any]:
    values = {name: value for name, value in row.items() if name not in drop}
    for name in ids:
        values[name] = UUID(values[name])
    for name in days:
        values[name] = None if values[name] is None else date.fromisoformat(values[name])
    return values


def _site(row: Mapping[str, Any]) -> Site:
    lists = ("agreements", "standstills")
    bare = Site(**_typed(row, ids=("id", "customer_id"), drop=lists), agreements=(), standstills=())
    return replace(
        bare,
        agreements=tuple(
            Agreement(**_typed(a, ids=("id",), days=("starts_on", "ends_before"))) for a in row["agreements"]
        ),
        standstills=tuple(Standstill(**_typed(p, days=("starts_on", "ends_on"))) for p in row["standstills"]),
    )


def _item(row: Mapping[str, Any]) -> Item:
    versions = tuple(
        Version(
            **(
                _typed(v, ids=("id",), days=("effective_from", "effective_to"))
                | {"amount": Decimal(v["amount"])}
            )
        )
        for v in row["versions"]
    )
    return Item(**(_typed(row) | {"basis": Basis(row["basis"]), "versions": versions}))
