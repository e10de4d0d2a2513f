"""Random small operators as plain values: who sells and pays, contracts of every mode, prices that change, and a log.

Everything the rules may meet together: moves, late work, counter-events, standstills, price changes inside a month,
contracts that begin or end in one, missed and refused visits; in currencies with 0, 2 and 3 minor units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from hypothesis import strategies as st

from billing.rules.inputs import (
    Agreement,
    Basis,
    Contract,
    ContractSite,
    Customer,
    DueDay,
    Inputs,
    Item,
    Operator,
    Site,
    Standstill,
    Station,
    Version,
)
from billing.rules.parties import Entity, Order, Profile, Rate, SiteTax
from billing.rules.places import Happening
from billing.rules.terms import CreditAs, EndRule, Inclusion, Mode, NotAdmitted, Proration, Terms
from tests.billing.plain import DEVICE, OPERATOR, uid

FIRST, LAST = date(2026, 9, 1), date(2026, 11, 30)
MONTHS = (date(2026, 9, 1), date(2026, 10, 1), date(2026, 11, 1))
CURRENCIES = ("EUR", "JPY", "KWD")
ZONES = ("Europe/Berlin", "America/Los_Angeles", "Pacific/Auckland")
PRICES = ("0.02", "0.333333", "7", "12.50", "30.10", "38.30", "99.995", "1000.5")
WORK = ("cartridge.exchanged", "wick.changed", "wick.checked", "level.read", "reservoir.cleaned")

Draw = Any


@dataclass(frozen=True, slots=True)
class Told:
    """An event and when it became known: at which of the closes (0, 1, 2), and what undoes it and when, if anything."""

    happening: Happening
    known_at: int
    countered_at: int | None = None


@dataclass(frozen=True, slots=True)
class World:
    """Inputs, and a log as each close knew it."""

    inputs: Inputs
    told: tuple[Told, ...]

    @property
    def currency(self) -> str:
        return self.inputs.operator.currency

    def known(self, close: int) -> list[Happening]:
        """Every event as known at a close, with the counter-events that are known by then."""
        found = []
        for one in self.told:
            if one.known_at > close:
                continue
            happening = one.happening
            if one.countered_at is not None and one.countered_at <= close:
                counter = _counter(happening)
                happening = replace(happening, standing="superseded", superseded_by=counter.event_id)
                found.append(counter)
            found.append(happening)
        return found


def _counter(happening: Happening) -> Happening:
    return Happening(
        event_id=uid(f"counter of {happening.event_id}"),
        type="event.countered",
        subject_id=happening.subject_id,
        occurred_at=happening.occurred_at + timedelta(hours=1),
        device_id=DEVICE,
        device_sequence=100_000 + happening.device_sequence,
        site_id=happening.site_id,
        visit_id=happening.visit_id,
    )


@st.composite
def worlds(draw: Draw, *, currencies: Sequence[str] = CURRENCIES) -> World:
    """A world; see the module. Small on purpose: two customers, three sites, three units."""
    currency = draw(st.sampled_from(currencies))
    customers = [
        Customer(uid(f"customer {n}"), f"C{n}", f"Customer {n}", "1 Quay", "DE", "") for n in range(2)
    ]
    sites = [_site(draw, n, customers[n % 2].id) for n in range(draw(st.integers(1, 3)))]
    stations = [
        Station(uid(f"station {n} {k}"), site.id, "Hall", f"{k}", ("urinal", "water_closet")[k % 2])
        for n, site in enumerate(sites)
        for k in range(2)
    ]
    contracts, covers = _contracts(draw, sites, customers)
    units = {uid(f"unit {n}"): f"UNIT0000{n}" for n in range(draw(st.integers(1, 3)))}
    inputs = Inputs(
        operator=Operator(OPERATOR, "Northern Drip Rounds GmbH", currency, "Europe/Berlin"),
        items=tuple(_items(draw, currency, contracts, sites)),
        sites={site.id: site for site in sites},
        stations={station.id: station for station in stations},
        units=units,
        customers={customer.id: customer for customer in customers},
        contracts={contract.id: contract for contract in contracts},
        contract_sites=tuple(covers),
        **_parties(draw, currency, customers, sites),
    )
    return World(inputs, tuple(_log(draw, list(units), sites, stations)))


def _day(draw: Draw, first: date = FIRST, last: date = LAST) -> date:
    return first + timedelta(days=draw(st.integers(0, (last - first).days)))


def _sometimes(draw: Draw, one_in: int) -> bool:
    return draw(st.integers(1, one_in)) == one_in


def _site(draw: Draw, n: int, customer_id: UUID) -> Site:
    since = FIRST - timedelta(days=200) if not _sometimes(draw, 4) else _day(draw)
    until = _day(draw, since + timedelta(days=1), LAST + timedelta(days=5)) if _sometimes(draw, 6) else None
    anchor = FIRST + timedelta(days=draw(st.integers(0, 27)))
    agreement = Agreement(uid(f"agreement {n}"), f"A{n}", since, until, anchor, 1, 5, 3)
    pauses = []
    if _sometimes(draw, 4):
        begins = _day(draw)
        ends = begins + timedelta(days=draw(st.integers(0, 40)))
        pauses.append(Standstill(begins, ends, draw(st.sampled_from(("full", "half", "none")))))
    due = [anchor + timedelta(days=30 * k) for k in range(3)]
    return Site(
        uid(f"site {n}"),
        f"S{n}",
        f"Site {n}",
        draw(st.sampled_from(ZONES)),
        customer_id,
        (agreement,),
        tuple(pauses),
        tuple(DueDay(day, day - timedelta(days=5)) for day in due),
    )


def _contracts(
    draw: Draw, sites: Sequence[Site], customers: Sequence[Customer]
) -> tuple[list[Contract], list[ContractSite]]:
    """A contract for most customers; a site may come to it or leave it inside a month."""
    contracts, covers = [], []
    for customer in customers:
        if _sometimes(draw, 4):
            continue
        terms = [_terms(draw, FIRST - timedelta(days=90))]
        if _sometimes(draw, 5):
            terms.append(_terms(draw, draw(st.sampled_from(MONTHS[1:]))))
        contract = Contract(
            uid(f"contract {customer.code}"),
            f"K-{customer.code}",
            customer.id,
            None,
            FIRST - timedelta(days=90),
            None,
            12,
            12,
            90,
            EndRule.PERIOD_END,
            tuple(terms),
        )
        contracts.append(contract)
        for site in sites:
            if site.customer_id == customer.id and not _sometimes(draw, 6):
                begins = FIRST - timedelta(days=30) if not _sometimes(draw, 4) else _day(draw)
                ends = (
                    _day(draw, begins + timedelta(days=1), LAST + timedelta(days=9))
                    if _sometimes(draw, 5)
                    else None
                )
                covers.append(ContractSite(contract.id, site.id, begins, ends))
    return contracts, covers


def _terms(draw: Draw, since: date) -> Terms:
    inclusions: tuple[Inclusion, ...] = ()
    if _sometimes(draw, 3):
        work = draw(st.sampled_from(("wick.changed", "visit.made")))
        inclusions = (
            Inclusion(
                work,
                draw(st.integers(1, 2)),
                draw(st.sampled_from(("unit", "site"))),
                draw(st.sampled_from(("year", "month"))),
            ),
        )
    return Terms(
        effective_from=since,
        mode=draw(st.sampled_from(list(Mode))),
        cycle_months=draw(st.sampled_from((1, 1, 3))),
        in_advance=_sometimes(draw, 3),
        proration=draw(st.sampled_from(list(Proration))),
        base_units=draw(st.integers(0, 2)),
        visit_minimum=draw(st.sampled_from((None, None, Decimal(20)))),
        invoice_minimum=draw(st.sampled_from((None, None, None, Decimal(50)))),
        inclusions=inclusions,
        install_waived=_sometimes(draw, 3),
        claw_back_months=draw(st.sampled_from((0, 12))),
        not_admitted=draw(st.sampled_from(list(NotAdmitted))),
        credits_missed=_sometimes(draw, 2),
        make_good_days=draw(st.integers(0, 5)),
        credit_as=CreditAs.LINE,
    )


def _items(draw: Draw, currency: str, contracts: Sequence[Contract], sites: Sequence[Site]) -> list[Item]:
    kinds = [
        ("month", Basis.UNIT_MONTH, "", ""),
        ("month-urinal", Basis.UNIT_MONTH, "urinal", ""),
        ("install", Basis.INSTALL, "", ""),
        ("exchange", Basis.EVENT, "", "cartridge.exchanged"),
        ("wick", Basis.EVENT, "", "wick.changed"),
        ("refused", Basis.EVENT, "", "visit.not_admitted"),
        ("site", Basis.SITE_MONTH, "", ""),
        ("extra", Basis.EXTRA_UNIT, "", ""),
        ("visit", Basis.VISIT, "", ""),
        ("call-out", Basis.CALL_OUT, "", ""),
    ]
    items = []
    for code, basis, fixture, event_type in kinds:
        if _sometimes(draw, 5):
            continue
        versions = list(_versions(draw, code, currency, None, None))
        for contract in contracts:
            if _sometimes(draw, 5):
                versions += _versions(draw, code, currency, contract.id, None)
                versions += (
                    _versions(draw, code, currency, contract.id, sites[0].id) if _sometimes(draw, 4) else []
                )
        tax_class = draw(st.sampled_from(("standard", "standard", "reduced")))
        items.append(
            Item(code, code.capitalize(), basis, fixture, event_type, tuple(versions), tax_class, "")
        )
    return items


def _versions(
    draw: Draw, code: str, currency: str, contract_id: UUID | None, site_id: UUID | None
) -> list[Version]:
    """One price, or two of which the second begins inside a month."""
    since = FIRST if not _sometimes(draw, 6) else _day(draw)
    change = _day(draw, since + timedelta(days=1), LAST + timedelta(days=5)) if _sometimes(draw, 3) else None
    label = f"{code} {contract_id} {site_id}"
    made = [Version(uid(f"{label} 1"), _price(draw), currency, since, change, contract_id, site_id)]
    if change is not None:
        made.append(Version(uid(f"{label} 2"), _price(draw), currency, change, None, contract_id, site_id))
    return made


def _price(draw: Draw) -> Decimal:
    return Decimal(draw(st.sampled_from(PRICES)))


def _parties(
    draw: Draw, currency: str, customers: Sequence[Customer], sites: Sequence[Site]
) -> dict[str, Any]:
    regime = draw(st.sampled_from(("none", "vat", "vat", "sales_tax")))
    entity = Entity(
        uid("entity"),
        "MAIN",
        "Northern Drip Rounds GmbH",
        currency,
        country="DE",
        street="1 Lock",
        city="Harbourtown",
        postcode="10000",
        vat_id="DE123456789",
        regime=regime,
        tax_jurisdiction="DE",
        tax_basis=draw(st.sampled_from(("invoice", "item"))) if regime == "sales_tax" else "invoice",
    )
    treatments = ("standard", "standard", "standard", "reverse_charge", "exempt")
    profiles = {
        customer.id: Profile(
            customer.id,
            bill_to_id=customers[0].id if n and _sometimes(draw, 4) else None,
            vat_id="FR12345678901",
            tax_treatment=draw(st.sampled_from(treatments)),
            po_required=_sometimes(draw, 5),
            line_pos=_sometimes(draw, 3),
            invoice_minimum=draw(st.sampled_from((None, None, None, Decimal("25.5")))),
        )
        for n, customer in enumerate(customers)
    }
    orders = [
        Order(
            uid(f"order {n}"), customer.id, None, f"PO{n}", _day(draw, FIRST, MONTHS[1]), None, None, currency
        )
        for n, customer in enumerate(customers)
        if _sometimes(draw, 2)
    ]
    return {
        "entities": {None: entity, entity.id: entity},
        "profiles": profiles,
        "site_taxes": {
            site.id: SiteTax(site.id, draw(st.sampled_from(("", "", "NL"))), "7000") for site in sites
        },
        "orders": tuple(orders),
        "rates": tuple(_rates()),
    }


def _rates() -> list[Rate]:
    """Two jurisdictions and two classes; the standard rate of one changes inside a month. Quarters bring halves of a cent."""
    change = date(2026, 10, 16)
    return [
        Rate("DE", "standard", "S", Decimal(25), "VAT", "", date(2020, 1, 1), change),
        Rate("DE", "standard", "S", Decimal("20.5"), "VAT", "", change, None),
        Rate("DE", "reduced", "S", Decimal("12.5"), "VAT", "", date(2020, 1, 1), None),
        Rate("NL", "standard", "S", Decimal(21), "VAT", "", date(2020, 1, 1), None),
        Rate("NL", "reduced", "Z", Decimal(0), "VAT", "", date(2020, 1, 1), None),
    ]


def _log(draw: Draw, units: Sequence[UUID], sites: Sequence[Site], stations: Sequence[Station]) -> list[Told]:
    """What happened, each known at the close of its month or at a later one, a few undone."""
    happened: list[Happening] = []
    for unit in units:
        begins = FIRST - timedelta(days=10) if not _sometimes(draw, 3) else _day(draw)
        station = draw(st.sampled_from(list(stations)))
        happened.append(_event(happened, "unit.installed", unit, begins, 8, station_id=station.id))
        for _ in range(draw(st.integers(0, 5))):
            happened.append(_work(draw, happened, unit, stations))
    for site in sites:
        for _ in range(draw(st.integers(0, 2))):
            happened.append(_visit(draw, happened, site))
    return [_told(draw, one) for one in happened]


def _work(
    draw: Draw,
    happened: Sequence[Happening],
    unit: UUID,
    stations: Sequence[Station],
) -> Happening:
    kind = draw(st.sampled_from((*WORK, *WORK, "unit.moved", "unit.withdrawn", "unit.installed")))
    station = None
    if kind in {"unit.moved", "unit.installed"}:
        station = draw(st.sampled_from(list(stations))).id
    return _event(happened, kind, unit, _day(draw), draw(st.integers(0, 23)), station_id=station)


def _visit(draw: Draw, happened: Sequence[Happening], site: Site) -> Happening:
    kind = draw(st.sampled_from(("visit.made", "visit.made", "visit.not_admitted")))
    visit = uid(f"visit {len(happened)}")
    reason = draw(st.sampled_from(("closed", "weather", "no_access"))) if kind == "visit.not_admitted" else ""
    return _event(
        happened,
        kind,
        visit,
        _day(draw),
        draw(st.integers(0, 23)),
        site_id=site.id,
        visit_id=visit,
        reason=reason,
    )


def _event(
    happened: Sequence[Happening], kind: str, subject: UUID, day: date, hour: int, **more: Any
) -> Happening:
    number = len(happened)
    return Happening(
        event_id=uid(f"event {number}"),
        type=kind,
        subject_id=subject,
        occurred_at=datetime(day.year, day.month, day.day, hour, 30, tzinfo=UTC),
        device_id=DEVICE,
        device_sequence=number + 1,
        **more,
    )


def _told(draw: Draw, happening: Happening) -> Told:
    """Known when the month it happened in closes, the day after its end included; one in five later."""
    on_time = max(0, min(2, happening.occurred_at.month - FIRST.month))
    known = min(2, on_time + draw(st.integers(1, 2))) if _sometimes(draw, 5) else on_time
    countered = min(2, known + draw(st.integers(0, 2))) if _sometimes(draw, 3) else None
    return Told(happening, known, countered)
