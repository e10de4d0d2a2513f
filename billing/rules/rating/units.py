"""From events and frozen inputs to dispositions and charges: pure, in any order of arrival the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from uuid import UUID

from billing.rules.dispositions import INSTALLING, Disposition, Outcome, Priced, Verdict, verdict_on
from billing.rules.inputs import Basis, Inputs, Item, Site, Station
from billing.rules.money import allocated, share_of
from billing.rules.places import Happening, Stay, Stood, in_order, stood_at_site, walk
from billing.rules.pricing import price_on
from billing.rules.rating.charges import (
    Charge,
    Rated,
    Rule,
    charge_key,
    month_after,
    month_of,
    months_between,
)


def rate_unit(
    inputs: Inputs, unit_id: UUID, happenings: Sequence[Happening], *, first_month: date, open_from: date
) -> Rated:
    """Dispositions and charges of one unit: its work, and each month from ``first_month`` until ``open_from``.

    ``happenings`` are the unit's events known at the cut, each with its standing, in any order.
    """
    stood, stays = walk(inputs, happenings)
    dispositions, charges = _work(inputs, happenings, stood, open_from)
    rated = [_UnitMonth(inputs, unit_id, month) for month in months_between(first_month, open_from)]
    for unit_month in rated:
        for stay in stays:
            unit_month.add(stay)
        charges += unit_month.charges()
    if not rated:
        return Rated(dispositions, charges)
    return Rated(dispositions, charges, rated[-1].days_without_price, rated[-1].days_without_agreement)


def rate_other(inputs: Inputs, happenings: Sequence[Happening], *, open_from: date) -> Rated:
    """Dispositions and charges of a visit or a site: its events name their site themselves."""
    stood = {h.event_id: stood_at_site(inputs, h) for h in happenings if h.standing == "effective"}
    return Rated(*_work(inputs, happenings, stood, open_from))


def _work(
    inputs: Inputs, happenings: Sequence[Happening], stood: Mapping[UUID, Stood], open_from: date
) -> tuple[list[Disposition], list[Charge]]:
    dispositions, charges = [], []
    for happening in in_order(happenings):
        place = stood.get(happening.event_id)
        verdict = verdict_on(inputs, happening, place, open_from)
        key = ""
        if verdict.priced is not None and place is not None and place.site is not None:
            charge = _event_charge(inputs, happening, place, place.site, verdict.priced)
            charges.append(charge)
            key = charge.key
        dispositions.append(_disposition(happening, place, verdict, key))
    return dispositions, charges


def _disposition(happening: Happening, stood: Stood | None, verdict: Verdict, key: str) -> Disposition:
    superseded_by = happening.superseded_by if verdict.outcome is Outcome.SUPERSEDED else None
    site_id = stood.site.id if stood is not None and stood.site is not None else happening.site_id
    return Disposition(
        happening.event_id, happening.subject_id, site_id, verdict.outcome, verdict.reason, key, superseded_by
    )


def _event_charge(inputs: Inputs, happening: Happening, stood: Stood, site: Site, priced: Priced) -> Charge:
    rule = Rule.INSTALL if happening.type == INSTALLING else Rule.EVENT
    version, month = priced.version, month_of(stood.day)
    return Charge(
        key=charge_key(inputs.operator.id, rule, priced.agreement.id, happening.event_id, version.id),
        rule=rule,
        subject_id=happening.subject_id,
        event_id=happening.event_id,
        item_code=priced.item.code,
        item_name=priced.item.name,
        price_version_id=version.id,
        unit_price=version.amount,
        currency=version.currency,
        customer_id=site.customer_id,
        agreement_id=priced.agreement.id,
        agreement_number=priced.agreement.number,
        site_id=site.id,
        site_code=site.code,
        site_name=site.name,
        unit_code=inputs.units.get(happening.subject_id, ""),
        place=stood.station.label if stood.station else "",
        service_on=stood.day,
        occurred_at=happening.occurred_at,
        starts_on=month,
        ends_before=month_after(month),
        part=Decimal(1),
        whole=1,
        amount=share_of(version.amount, Decimal(1), 1, version.currency),
    )


@dataclass(slots=True)
class _Part:
    """The days of one unit in one month under one agreement at one price."""

    site: Site
    station: Station
    priced: Priced
    starts_on: date
    ends_before: date
    halves: int


@dataclass(slots=True)
class _UnitMonth:
    """One unit's month, taken apart by agreement and price."""

    inputs: Inputs
    unit_id: UUID
    month: date
    parts: dict[str, _Part] = field(default_factory=dict)
    days_without_price: int = 0
    days_without_agreement: int = 0

    def add(self, stay: Stay) -> None:
        end = month_after(self.month)
        starts_on, ends_before = max(stay.starts_on, self.month), min(stay.ends_before or end, end)
        items = self.inputs.items_for(Basis.UNIT_MONTH, fixture=stay.station.fixture)
        site = self.inputs.sites.get(stay.station.site_id)
        if items and site is not None and starts_on < ends_before:
            for stretch in _stretches(site, items, starts_on, ends_before):
                self._add_stretch(stay.station, site, items, *stretch)

    def _add_stretch(
        self, station: Station, site: Site, items: Sequence[Item], starts_on: date, ends_before: date
    ) -> None:
        days = (ends_before - starts_on).days
        agreement, price = site.agreement_on(starts_on), price_on(items, starts_on)
        if agreement is None:
            self.days_without_agreement += days
        elif price is None or price[1] is None:
            self.days_without_price += days
        elif halves := days * site.halves_on(starts_on):
            item, version = price[0], price[1]
            parts = (agreement.id, self.unit_id, self.month, version.id)
            key = charge_key(self.inputs.operator.id, Rule.UNIT_MONTH, *parts)
            priced = Priced(agreement, item, version)
            kept = self.parts.setdefault(key, _Part(site, station, priced, starts_on, ends_before, 0))
            kept.ends_before = ends_before
            kept.halves += halves

    def charges(self) -> list[Charge]:
        """A price's parts under several agreements sum to what the unit's days cost at it, to the minor unit."""
        days = (month_after(self.month) - self.month).days
        by_version: dict[UUID, dict[str, _Part]] = {}
        for key, part in self.parts.items():
            by_version.setdefault(part.priced.version.id, {})[key] = part
        charges = []
        for group in by_version.values():
            version = next(iter(group.values())).priced.version
            weights = {key: Decimal(part.halves) for key, part in group.items()}
            total = share_of(version.amount, sum(weights.values(), Decimal(0)), 2 * days, version.currency)
            amounts = allocated(total, weights, version.currency)
            charges += [
                self._charge(key, part, days, amounts[key]) for key, part in group.items() if amounts[key]
            ]
        return charges

    def _charge(self, key: str, part: _Part, days: int, amount: Decimal) -> Charge:
        return Charge(
            key=key,
            rule=Rule.UNIT_MONTH,
            subject_id=self.unit_id,
            event_id=None,
            item_code=part.priced.item.code,
            item_name=part.priced.item.name,
            price_version_id=part.priced.version.id,
            unit_price=part.priced.version.amount,
            currency=part.priced.version.currency,
            customer_id=part.site.customer_id,
            agreement_id=part.priced.agreement.id,
            agreement_number=part.priced.agreement.number,
            site_id=part.site.id,
            site_code=part.site.code,
            site_name=part.site.name,
            unit_code=self.inputs.units.get(self.unit_id, ""),
            place=part.station.label,
            service_on=part.starts_on,
            occurred_at=None,
            starts_on=part.starts_on,
            ends_before=part.ends_before,
            part=Decimal(part.halves) / 2,
            whole=days,
            amount=amount,
        )


def _stretches(
    site: Site, items: Sequence[Item], starts_on: date, ends_before: date
) -> Iterator[tuple[date, date]]:
    """The days cut wherever the agreement, the price or a standstill changes; end exclusive."""
    cuts: set[date | None] = {day for a in site.agreements for day in (a.starts_on, a.ends_before)}
    cuts |= {day for i in items for v in i.versions for day in (v.effective_from, v.effective_to)}
    cuts |= {
        day for p in site.standstills for day in (p.starts_on, p.ends_on and p.ends_on + timedelta(days=1))
    }
    inner = sorted(day for day in cuts if day is not None and starts_on < day < ends_before)
    yield from pairwise([starts_on, *inner, ends_before])
