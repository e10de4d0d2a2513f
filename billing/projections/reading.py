"""Reading for a close: what all its parts share, what one part reads beside it, and the log's rows as happenings."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID

import accounts.queries
import fleet.queries
from billing.models import PeriodClose
from billing.queries import contracts, parties, prices
from billing.rules import inputs as plain
from billing.rules.inputs import Basis, Inputs, Item
from billing.rules.months import month_after, months_later
from billing.rules.places import Happening
from billing.rules.terms import Terms
from billing.rules.visits import CALLED_OFF, EXCHANGED, NOT_ADMITTED
from servicing.queries import events as log
from servicing.queries import worked
from servicing.queries.worked import TENURE, Worked

# Where it is already the first of a month while the furthest zone behind UTC still has the day before.
FURTHEST_BEHIND = timedelta(hours=12)


@dataclass(slots=True)
class Closing:
    """One close: the month, the positions of the log it reads from and to, and what all its parts share."""

    month: date
    previous: PeriodClose | None
    cut: int
    superseded: dict[UUID, UUID]
    shared: Inputs

    @property
    def open_from(self) -> date:
        return month_after(self.month)

    @property
    def after(self) -> int:
        return self.previous.cut_position if self.previous else 0

    @property
    def began_everywhere(self) -> datetime:
        """From here on it is the closed month in every zone: what happened before may belong to an earlier one."""
        return datetime.combine(self.month, time(), UTC) + FURTHEST_BEHIND


def read_shared() -> Inputs:
    """What every part reads: the operator, the price list, who issues, tax rates."""
    operator = accounts.queries.get_operator()
    return Inputs(
        operator=plain.Operator(operator.id, operator.legal_name, operator.currency, operator.zone),
        items=tuple(prices.priced_items([])),
        sites={},
        stations={},
        units={},
        customers={},
        entities=parties.entities(),
        rates=parties.tax_rates(),
    )


def read_part(
    closing: Closing, site_ids: Collection[UUID], customer_ids: Collection[UUID], units: Collection[UUID]
) -> Inputs:
    """The inputs of one part, but for its stations and the codes of its units; see ``with_places``."""
    covers = contracts.contract_sites(site_ids)
    own = {c.id: c for c in contracts.contracts_in({row.contract_id for row in covers})}
    customers = set(customer_ids)
    return replace(
        closing.shared,
        items=_with_own_prices(closing.shared.items, own),
        sites=_sites(closing, site_ids, covers, own),
        units=fleet.queries.unit_codes(units),
        customers=customers_by_id(customers),
        profiles=parties.profiles(customers),
        site_taxes=parties.site_billings(site_ids),
        orders=parties.purchase_orders(customers),
        contracts=own,
        contract_sites=tuple(covers),
    )


def customers_by_id(ids: Collection[UUID]) -> dict[UUID, plain.Customer]:
    return {
        c.id: plain.Customer(c.id, c.code, c.name, c.address, c.country, c.billing_email)
        for c in accounts.queries.customers_in(ids).values()
    }


def with_places(inputs: Inputs, happenings: Iterable[Happening]) -> Inputs:
    """The inputs with the stations that these events name."""
    return with_stations(inputs, {h.station_id for h in happenings if h.station_id is not None})


def with_stations(inputs: Inputs, stations: Iterable[UUID]) -> Inputs:
    return replace(
        inputs,
        stations={
            place.station_id: plain.Station(
                place.station_id, place.site_id, place.restroom, place.station, place.fixture
            )
            for place in fleet.queries.stations(set(stations)).values()
        },
    )


def _with_own_prices(listed: tuple[Item, ...], own: Collection[UUID]) -> tuple[Item, ...]:
    if not own:
        return listed
    priced = {item.code: item.versions for item in prices.priced_items(own)}
    return tuple(
        replace(item, versions=(*item.versions, *(v for v in priced[item.code] if v.contract_id)))
        for item in listed
    )


def _sites(
    closing: Closing,
    site_ids: Collection[UUID],
    covers: Iterable[plain.ContractSite],
    own: dict[UUID, plain.Contract],
) -> dict[UUID, plain.Site]:
    rows = accounts.queries.sites_in(site_ids).values()
    agreements = accounts.queries.agreements_of(site_ids)
    standstills = log.standstills_upto(closing.cut, site_ids)
    crediting = {row.site_id for row in covers if any(t.credits_missed for t in own[row.contract_id].terms)}
    # A due day is decided on once it could no longer be made good; those after the month to come play no part yet.
    until = months_later(closing.open_from, 1)
    found = {}
    for row in sorted(rows, key=lambda site: site.id):
        pauses = standstills.get(row.id, [])
        found[row.id] = plain.Site(
            id=row.id,
            code=row.code,
            name=row.name,
            zone=row.zone,
            customer_id=row.customer_id,
            agreements=tuple(
                plain.Agreement(
                    a.id,
                    a.number,
                    a.starts_on,
                    a.ends_on,
                    a.anchor_on,
                    a.interval_months,
                    a.grace_before_days,
                    a.grace_after_days,
                )
                for a in agreements[row.id]
            ),
            standstills=tuple(plain.Standstill(s.starts_on, s.ends_on, s.billing) for s in pauses),
            due_days=_due_days(agreements[row.id], pauses, until) if row.id in crediting else (),
        )
    return found


def _due_days(agreements: Iterable[Any], pauses: Iterable[Any], until: date) -> tuple[plain.DueDay, ...]:
    terms = [
        accounts.queries.AgreedTerms(
            a.anchor_on, a.interval_months, a.grace_before_days, a.grace_after_days, a.starts_on, a.ends_on
        )
        for a in agreements
    ]
    windows = worked.due_windows(terms, [(p.starts_on, p.ends_on) for p in pauses], until)
    return tuple(plain.DueDay(due_on, opens_on) for due_on, opens_on in windows)


def happening(row: Worked) -> Happening:
    payload = row.payload
    station, site = payload.get("station_id"), payload.get("site_id")
    standing = "superseded" if row.superseded_by else "clock_ahead" if row.is_ahead else "effective"
    return Happening(
        row.event_id,
        row.type,
        row.subject_id,
        row.occurred_at,
        row.device_id,
        row.device_sequence,
        standing,
        row.superseded_by,
        UUID(station) if station and row.type in TENURE else None,
        row.subject_id if row.subject_kind == "site" else UUID(site) if site else None,
        row.visit_id,
        payload.get("reason", "") if row.subject_kind == "visit" else "",
        payload.get("mode", ""),
        payload.get("detection", ""),
    )


def besides(inputs: Inputs) -> list[str]:
    """The types of which earlier events matter too: where units hung, and what the terms count or look back for."""
    types = set(TENURE)
    for terms in terms_of(inputs):
        types |= {inclusion.event_type for inclusion in terms.inclusions}
        if terms.credits_missed:
            types |= {EXCHANGED, NOT_ADMITTED, CALLED_OFF}
    if any(item.basis is Basis.CALL_OUT for item in inputs.items):
        types.add("fault.found")
    return sorted(types)


def terms_of(inputs: Inputs) -> list[Terms]:
    return [terms for contract in inputs.contracts.values() for terms in contract.terms]
