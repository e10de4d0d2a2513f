"""What is charged by the month: whose days count how much, and at which close a month is due."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from uuid import UUID

from billing.rules.inputs import Basis, Contract, ContractSite, Inputs, Site
from billing.rules.money import allocated
from billing.rules.months import month_after, month_of, months_apart, months_between, months_later
from billing.rules.pricing import Cover, Price, price_changes
from billing.rules.rating.charges import (
    Charge,
    Figure,
    Place,
    Rule,
    Span,
    charge_key,
    charge_of,
    share,
    step_for,
)
from billing.rules.terms import Proration, Terms

COMMERCIAL_MONTH = 30  # days, of 360 a year


@dataclass(frozen=True, slots=True)
class Window:
    """What a rating is to give: the months from ``first_month`` until ``open_from``, the first day no close reached."""

    first_month: date
    open_from: date

    def has(self, day: date) -> bool:
        return self.first_month <= day < self.open_from

    @property
    def last_month(self) -> date:
        return months_later(self.open_from, -1)

    def due(self, cover: Cover, ends_before: date | None, month: date) -> date | None:
        """At which close a month is due, if this window gives it: that month's first day, else None.

        The list bills each month with itself. A contract bills a cycle, counted from its first month, with its last
        month or in advance with the month before it; what is left of a cycle when the contract ends, with its last month.
        A month of the window that was billed in advance is given again, so that what changed since shows.
        """
        if cover.contract is None or cover.terms is None:
            return month if self.has(month) else None
        when = billed_with(cover.contract, cover.terms, month, ends_before)
        is_given = when < self.open_from and (month >= self.first_month or when >= self.first_month)
        return when if is_given else None


def billed_with(contract: Contract, terms: Terms, month: date, ends_before: date | None) -> date:
    """The month at whose close a month of a contract is due."""
    cycle = terms.cycle_months
    place = months_apart(contract.starts_on, month) // cycle
    begins = months_later(month_of(contract.starts_on), place * cycle)
    if terms.in_advance:
        return months_later(begins, -1)
    last = months_later(begins, cycle - 1)
    return last if ends_before is None else min(last, month_of(ends_before - timedelta(days=1)))


def reach(inputs: Inputs, site_id: UUID, window: Window) -> tuple[date, date]:
    """The months in which something of a site may be due in a window: from the first until before the second."""
    terms = [t for row in inputs.covers_of(site_id) for t in inputs.contracts[row.contract_id].terms]
    back = max((t.cycle_months - 1 for t in terms if not t.in_advance), default=0)
    ahead = max((t.cycle_months for t in terms if t.in_advance), default=0)
    return months_later(window.first_month, -back), months_later(window.open_from, ahead)


def months_in(starts_on: date, ends_before: date | None, limits: tuple[date, date]) -> Iterator[date]:
    """The months of the days [starts_on, ends_before) within these limits."""
    before = limits[1] if ends_before is None else min(ends_before, limits[1])
    yield from months_between(max(starts_on, limits[0]), before)


def covered_days(inputs: Inputs, row: ContractSite) -> tuple[date, date | None]:
    """The days of a site under a contract, as far as the contract itself runs."""
    contract = inputs.contracts[row.contract_id]
    ends = [day for day in (row.ends_before, contract.ends_before) if day is not None]
    return max(row.starts_on, contract.starts_on), min(ends, default=None)


def site_stretches(
    inputs: Inputs, site: Site, starts_on: date, ends_before: date
) -> Iterator[tuple[date, date]]:
    """The days cut wherever the site's agreement, contract, terms or a standstill change; end exclusive."""
    key = ("cuts", site.id)
    cuts: list[date] | None = inputs.found.get(key)
    if cuts is None:
        cuts = inputs.found[key] = sorted(_cuts(inputs, site))
    yield from cut(starts_on, ends_before, cuts)


def _cuts(inputs: Inputs, site: Site) -> set[date]:
    days: set[date | None] = {day for a in site.agreements for day in (a.starts_on, a.ends_before)}
    for pause in site.standstills:
        days |= {pause.starts_on, pause.ends_on and pause.ends_on + timedelta(days=1)}
    for row in inputs.covers_of(site.id):
        days |= {row.starts_on, *covered_days(inputs, row)}
        days |= {terms.effective_from for terms in inputs.contracts[row.contract_id].terms}
    return {day for day in days if day is not None}


def price_stretches(
    inputs: Inputs, basis: Basis, fixture: str, cover: Cover, days: tuple[date, date]
) -> Iterator[tuple[date, date]]:
    """The days cut wherever a price of this basis changes; end exclusive."""
    key = ("price cuts", basis, fixture, cover.contract.id if cover.contract else None)
    cuts: list[date] | None = inputs.found.get(key)
    if cuts is None:
        items = inputs.items_for(basis, fixture=fixture)
        cuts = inputs.found[key] = sorted(price_changes(inputs, items, cover.contract))
    yield from cut(*days, cuts)


def cut(starts_on: date, ends_before: date, days: list[date]) -> Iterator[tuple[date, date]]:
    """[starts_on, ends_before) cut at these days, given in order."""
    inner = [day for day in days if starts_on < day < ends_before]
    yield from pairwise([starts_on, *inner, ends_before]) if inner else ((starts_on, ends_before),)


def last_covered(inputs: Inputs, site_id: UUID, cover: Cover, day: date) -> date | None:
    """Where the contract's days at a site that include this one end; None while they run on."""
    for row in inputs.covers_of(site_id):
        starts_on, ends_before = covered_days(inputs, row)
        if cover.contract is not None and row.contract_id == cover.contract.id and starts_on <= day:
            if ends_before is None or day < ends_before:
                return ends_before
    return None


@dataclass(slots=True)
class _Part:
    """The days of one subject in one month under one agreement or contract at one price."""

    place: Place
    cover: Cover
    price: Price
    due: date
    starts_on: date
    ends_before: date
    halves: int


@dataclass(slots=True)
class Month:
    """One subject's month under one rule, taken apart by agreement or contract and by price."""

    inputs: Inputs
    rule: Rule
    subject_id: UUID
    month: date
    parts: dict[str, _Part] = field(default_factory=dict)
    covered: dict[UUID | None, int] = field(default_factory=dict)
    since: dict[UUID | None, date] = field(default_factory=dict)

    def cover_days(self, cover: Cover, starts_on: date, ends_before: date) -> None:
        """These days are covered, whatever they cost: by them a month that is not whole is judged."""
        party = cover.party_id
        self.covered[party] = self.covered.get(party, 0) + _days(cover, starts_on, ends_before)
        self.since[party] = min(self.since.get(party, starts_on), starts_on)

    def add(
        self, place: Place, cover: Cover, price: Price, due: date, days: tuple[date, date], halves: int
    ) -> None:
        """Days at a price, each of which counts so many half days: 2 for a unit or a site in service."""
        version = price.version
        parts = (cover.party_id, self.subject_id, self.month, version.id if version else None)
        key = charge_key(self.inputs.operator.id, self.rule, *parts)
        kept = self.parts.get(key)
        if kept is None:
            kept = self.parts[key] = _Part(place, cover, price, due, *days, 0)
        kept.starts_on, kept.ends_before = min(kept.starts_on, days[0]), max(kept.ends_before, days[1])
        kept.halves += halves * _days(cover, *days)

    def charges(self, open_from: date, workings: Mapping[str, str | int] | None = None) -> list[Charge]:
        """A price's parts under several agreements sum to what the days cost at it, to the smallest amount."""
        groups: dict[tuple[UUID, int], dict[str, _Part]] = {}
        for key, part in self.parts.items():
            version = part.price.version
            if version is not None and part.halves and not self._is_free(part):
                groups.setdefault((version.id, self._whole(part)), {})[key] = part
        found = []
        for (_, whole), group in groups.items():
            for key, amount in self._amounts(group, whole).items():
                if amount:
                    found.append(self._charge(key, group[key], whole, amount, open_from, workings or {}))
        return found

    def _is_free(self, part: _Part) -> bool:
        is_first_free = part.cover.terms is not None and part.cover.terms.proration is Proration.FIRST_FREE
        return is_first_free and self.since[part.cover.party_id] > self.month

    def _whole(self, part: _Part) -> int:
        proration = part.cover.terms.proration if part.cover.terms is not None else Proration.BY_DAYS
        if proration is Proration.THIRTY_360:
            return COMMERCIAL_MONTH
        if proration is Proration.FIRST_FULL:
            return self.covered[part.cover.party_id]
        return (month_after(self.month) - self.month).days

    def _amounts(self, group: Mapping[str, _Part], whole: int) -> dict[str, Decimal]:
        first = next(iter(group.values()))
        version = first.price.version
        currency = version.currency if version else ""
        step = step_for(self.inputs, first.cover, currency)
        halves = sum(part.halves for part in group.values())
        total = share(first.price.amount, Decimal(halves), 2 * whole, currency, step)
        if len(group) == 1:
            return dict.fromkeys(group, total)
        weights = {key: Decimal(part.halves) for key, part in group.items()}
        return allocated(total, weights, currency, step)

    def _charge(
        self,
        key: str,
        part: _Part,
        whole: int,
        amount: Decimal,
        open_from: date,
        workings: Mapping[str, str | int],
    ) -> Charge:
        days = Decimal(part.halves) / 2
        span = Span(
            part.starts_on,
            part.starts_on,
            part.ends_before,
            billed_with=part.due,
            in_advance=part.starts_on >= open_from,
        )
        figures = {"days": f"{days.normalize():f}", "of": str(whole), **workings}
        figure = Figure(days, whole, amount, figures)
        return charge_of(
            self.rule,
            key,
            self.subject_id,
            None,
            part.price,
            part.cover,
            part.cover.clause,
            part.place,
            span,
            figure,
        )


def _days(cover: Cover, starts_on: date, ends_before: date) -> int:
    """Days of one month [starts_on, ends_before) as the terms count them: by the calendar, or thirty to any month."""
    if cover.terms is None or cover.terms.proration is not Proration.THIRTY_360:
        return (ends_before - starts_on).days
    return _place(ends_before, starts_on) - _place(starts_on, starts_on)


def _place(day: date, within: date) -> int:
    """Where a day begins in a month of thirty days: the 31st where the next month does, and so does that itself."""
    if month_of(day) != month_of(within):
        return COMMERCIAL_MONTH
    return min(day.day - 1, COMMERCIAL_MONTH)
