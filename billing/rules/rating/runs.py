"""One rating: what is read and given, which months are due in it, and where a month's days are cut."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

from billing.rules.inputs import Basis, Contract, ContractSite, Inputs, Site, covers
from billing.rules.months import month_of, months_apart, months_between, months_later
from billing.rules.pricing import Cover, price_changes
from billing.rules.rating.charges import Rated
from billing.rules.terms import Terms


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


@dataclass(slots=True)
class Run:
    """The rating of some sites: what it reads, for which months, and what it came to so far.

    ``known`` keeps what is worked out once for all units of a site.
    """

    inputs: Inputs
    window: Window
    rated: Rated = field(default_factory=Rated)
    known: dict[Any, Any] = field(default_factory=dict)

    def reach(self, site: Site) -> tuple[date, date]:
        """The months in which something of a site may be due: from the first until before the second."""
        key = ("reach", id(site))
        known: tuple[date, date] | None = self.known.get(key)
        if known is None:
            known = self.known[key] = reach(self.inputs, site.id, self.window)
        return known


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
        if row.contract_id == cover.party_id and covers(starts_on, ends_before, day):
            return ends_before
    return None
