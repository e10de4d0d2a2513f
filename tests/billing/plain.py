"""A small invented operator as plain values: two customers, two sites, three stations, one price list."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from billing.rules.inputs import (
    Agreement,
    Basis,
    Customer,
    Inputs,
    Item,
    Operator,
    Site,
    Standstill,
    Station,
    Version,
)
from billing.rules.places import Happening
from billing.rules.rating import Rated, Work, rate

NAMESPACE = UUID("5d0b9c5e-3c1f-4d8e-9b57-0d6f1c2a7e11")
SEPTEMBER, OCTOBER, NOVEMBER, DECEMBER = (date(2026, month, 1) for month in (9, 10, 11, 12))


def uid(name: str) -> UUID:
    return uuid5(NAMESPACE, name)


OPERATOR, UNIT, DEVICE = uid("operator"), uid("unit"), uid("device")
HARBOUR, MILL = uid("harbour"), uid("mill")
URINAL, CLOSET, MILL_URINAL = uid("urinal"), uid("closet"), uid("mill urinal")


def at(day: str, time: str = "10:00") -> datetime:
    return datetime.fromisoformat(f"{day}T{time}").replace(tzinfo=UTC)


def version(
    code: str, amount: str, since: date = SEPTEMBER, until: date | None = None, currency: str = "EUR"
) -> Version:
    return Version(uid(f"{code} {amount} {since}"), Decimal(amount), currency, since, until)


def item(code: str, basis: Basis, *versions: Version, fixture: str = "", event_type: str = "") -> Item:
    return Item(code, code.replace("-", " ").capitalize(), basis, fixture, event_type, versions)


def monthly(amount: str = "30", *, fixture: str = "urinal", currency: str = "EUR") -> Item:
    code = f"month-{fixture}"
    return item(code, Basis.UNIT_MONTH, version(code, amount, currency=currency), fixture=fixture)


WICK = item("wick", Basis.EVENT, version("wick", "12.50"), event_type="wick.changed")
INSTALL = item("install", Basis.INSTALL, version("install", "45"))


def site(site_id: UUID, code: str, *, pauses: tuple[Standstill, ...] = (), **terms: Any) -> Site:
    agreement = Agreement(
        uid(f"agreement {code}"), f"A-{code}", terms.get("since", SEPTEMBER), terms.get("until")
    )
    return Site(
        site_id,
        code,
        code.title(),
        terms.get("zone", "Europe/Berlin"),
        uid(f"customer {code}"),
        (agreement,),
        pauses,
    )


def inputs(*items: Item, sites: tuple[Site, ...] | None = None) -> Inputs:
    places = sites or (site(HARBOUR, "HARBOUR"), site(MILL, "MILL"))
    stations = [
        Station(URINAL, HARBOUR, "Ground floor", "left", "urinal"),
        Station(CLOSET, HARBOUR, "Ground floor", "cabin", "water_closet"),
        Station(MILL_URINAL, MILL, "Hall", "first", "urinal"),
    ]
    customers = [
        Customer(s.customer_id, s.code, f"{s.name} Ltd", "1 Quay", "DE", "books@example.org") for s in places
    ]
    return Inputs(
        operator=Operator(OPERATOR, "Northern Drip Rounds GmbH", "EUR", "Europe/Berlin"),
        items=items or (monthly(), WICK, INSTALL),
        sites={s.id: s for s in places},
        stations={s.id: s for s in stations},
        units={UNIT: "ABC123XYZ"},
        customers={c.id: c for c in customers},
    )


def event(name: str, kind: str, when: datetime, **more: Any) -> Happening:
    return Happening(
        event_id=uid(name),
        type=kind,
        subject_id=more.pop("subject_id", UNIT),
        occurred_at=when,
        device_id=DEVICE,
        device_sequence=more.pop("sequence", 1),
        **more,
    )


def installed(day: str = "2026-09-01", station: UUID = URINAL, time: str = "10:00") -> Happening:
    return event(f"installed {day}", "unit.installed", at(day, time), station_id=station)


def moved(day: str, station: UUID) -> Happening:
    return event(f"moved {day}", "unit.moved", at(day), station_id=station)


def withdrawn(day: str) -> Happening:
    return event(f"withdrawn {day}", "unit.withdrawn", at(day))


def rate_unit(given: Inputs, unit_id: UUID, happenings: Any, *, first_month: date, open_from: date) -> Rated:
    """One unit by itself, as it is where no contract covers its sites."""
    work = Work(units={unit_id: list(happenings)})
    return rate(given, work, first_month=first_month, open_from=open_from)
