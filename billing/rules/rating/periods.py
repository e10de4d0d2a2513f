"""What is charged by the month: whose days count how much, and what they cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from uuid import UUID

from billing.rules.inputs import Site, Station
from billing.rules.money import allocated
from billing.rules.months import month_after, month_of
from billing.rules.pricing import Cover, Price
from billing.rules.rating.charges import Charge, Rule, charge_key, charge_of, share, step_for
from billing.rules.rating.runs import Run
from billing.rules.terms import Proration

COMMERCIAL_MONTH = 30  # days, of 360 a year


@dataclass(frozen=True, slots=True)
class Days:
    """Days of one month on one footing: at a site, by a cover, at a price, due with the close of a month.

    Each counts so many half days: 2 for a unit or a site in service.
    """

    site: Site
    station: Station | None
    cover: Cover
    price: Price
    due: date
    starts_on: date
    ends_before: date
    halves: int


@dataclass(slots=True)
class _Part:
    """The days of one subject in one month under one agreement or contract at one price."""

    first: Days
    starts_on: date
    ends_before: date
    halves: int


@dataclass(slots=True)
class Month:
    """One subject's month under one rule, taken apart by agreement or contract and by price."""

    run: Run
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

    def key_parts(self, days: Days) -> tuple[object, ...]:
        version = days.price.version
        return (days.cover.party_id, self.subject_id, self.month, version.id if version else None)

    def add(self, days: Days) -> None:
        key = charge_key(self.run.inputs.operator.id, self.rule, *self.key_parts(days))
        kept = self.parts.get(key)
        if kept is None:
            kept = self.parts[key] = _Part(days, days.starts_on, days.ends_before, 0)
        kept.starts_on = min(kept.starts_on, days.starts_on)
        kept.ends_before = max(kept.ends_before, days.ends_before)
        kept.halves += days.halves * _days(days.cover, days.starts_on, days.ends_before)

    def charges(self) -> list[tuple[Days, Charge]]:
        """Each part's charge with its first days. A price's parts under several agreements sum to what the days cost at it."""
        groups: dict[tuple[UUID, int], dict[str, _Part]] = {}
        for key, part in self.parts.items():
            version = part.first.price.version
            if version is not None and part.halves and not self._is_free(part.first.cover):
                groups.setdefault((version.id, self._whole(part.first.cover)), {})[key] = part
        return [
            (group[key].first, self._charge(key, group[key], whole, amount))
            for (_, whole), group in groups.items()
            for key, amount in self._amounts(group, whole).items()
            if amount
        ]

    def _is_free(self, cover: Cover) -> bool:
        is_first_free = cover.terms is not None and cover.terms.proration is Proration.FIRST_FREE
        return is_first_free and self.since[cover.party_id] > self.month

    def _whole(self, cover: Cover) -> int:
        proration = cover.terms.proration if cover.terms is not None else Proration.BY_DAYS
        if proration is Proration.THIRTY_360:
            return COMMERCIAL_MONTH
        if proration is Proration.FIRST_FULL:
            return self.covered[cover.party_id]
        return (month_after(self.month) - self.month).days

    def _amounts(self, group: Mapping[str, _Part], whole: int) -> dict[str, Decimal]:
        first = next(iter(group.values())).first
        version = first.price.version
        currency = version.currency if version else ""
        step = step_for(self.run.inputs, first.cover, currency)
        halves = sum(part.halves for part in group.values())
        total = share(first.price.amount, Decimal(halves), 2 * whole, currency, step)
        if len(group) == 1:
            return dict.fromkeys(group, total)
        weights = {key: Decimal(part.halves) for key, part in group.items()}
        return allocated(total, weights, currency, step)

    def _charge(self, key: str, part: _Part, whole: int, amount: Decimal) -> Charge:
        first, days = part.first, Decimal(part.halves) / 2
        return charge_of(
            rule=self.rule,
            key=key,
            subject_id=self.subject_id,
            price=first.price,
            cover=first.cover,
            clause=first.cover.clause,
            site=first.site,
            station=first.station,
            service_on=part.starts_on,
            days=(part.starts_on, part.ends_before),
            part=days,
            whole=whole,
            amount=amount,
            workings={"days": f"{days.normalize():f}", "of": str(whole)},
            unit_code=self.run.inputs.units.get(self.subject_id, "") if first.station else "",
            billed_with=first.due,
            in_advance=part.starts_on >= self.run.window.open_from,
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
