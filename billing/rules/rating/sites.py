"""What a site costs by the month under a contract: its flat fee or base, and the units beyond the base."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date

from billing.rules.inputs import Basis, Site
from billing.rules.months import month_after
from billing.rules.places import Stay
from billing.rules.pricing import Cover, cover_on, price_on
from billing.rules.rating.charges import Rule
from billing.rules.rating.periods import Days, Month
from billing.rules.rating.runs import Run, covered_days, cut, months_in, price_stretches, site_stretches
from billing.rules.rating.units import Stretch, held_days
from billing.rules.terms import Mode

BY_SITE = frozenset({Mode.FLAT_SITE, Mode.BASE_PLUS})
BASES = {Rule.SITE_MONTH: Basis.SITE_MONTH, Rule.EXTRA_UNIT: Basis.EXTRA_UNIT}


def rate_site_months(run: Run, site: Site, stays: Iterable[Stay]) -> None:
    """Add a site's months; ``stays`` are those of all units that ever stood there."""
    months = _SiteMonths(run, site, _counts(stays))
    for row in run.inputs.covers_of(site.id):
        starts_on, ends_before = covered_days(run.inputs, row)
        for month in months_in(starts_on, ends_before, run.reach(site)):
            end = month_after(month)
            days = max(starts_on, month), min(ends_before or end, end)
            for first, before in site_stretches(run.inputs, site, *days):
                cover = cover_on(run.inputs, site, first)
                if cover is None or cover.terms is None or cover.terms.mode not in BY_SITE:
                    continue
                due = run.window.due(cover, ends_before, month)
                if due is not None:
                    months.add(month, cover, Stretch(due, first, before))
    for key in sorted(months.found):
        run.rated.charges += [charge for _, charge in months.found[key].charges()]


@dataclass(slots=True)
class _SiteMonths:
    run: Run
    site: Site
    counts: Sequence[tuple[date, int]]
    found: dict[tuple[date, Rule], Month] = field(default_factory=dict)

    def add(self, month: date, cover: Cover, stretch: Stretch) -> None:
        """Days under one cover: the fee, and with a base the units beyond it."""
        self._add_units(self._month(month, Rule.SITE_MONTH), cover, stretch, 1)
        if cover.terms is not None and cover.terms.mode is Mode.BASE_PLUS:
            days = (stretch.starts_on, stretch.ends_before)
            for part, count in units_beyond(self.counts, cover.terms.base_units, days):
                self._add_units(
                    self._month(month, Rule.EXTRA_UNIT), cover, Stretch(stretch.due, *part), count
                )

    def _month(self, month: date, rule: Rule) -> Month:
        key = (month, rule)
        if key not in self.found:
            self.found[key] = Month(self.run, rule, self.site.id, month)
        return self.found[key]

    def _add_units(self, month: Month, cover: Cover, stretch: Stretch, count: int) -> None:
        month.cover_days(cover, stretch.starts_on, stretch.ends_before)
        if not count:
            return
        run, site, basis = self.run, self.site, BASES[month.rule]
        days = (stretch.starts_on, stretch.ends_before)
        for first, before in price_stretches(run.inputs, basis, "", cover, days):
            price = price_on(run.inputs, basis, first, contract=cover.contract, site_id=site.id)
            halves = site.halves_on(first)
            if price is None or price.version is None:
                if month.month == run.window.last_month:
                    run.rated.days_without_price += (before - first).days
            elif price.is_missing_index and halves:
                run.rated.held.append(held_days(site, site.id, price.item.code, (first, before)))
            elif halves:
                month.add(Days(site, None, cover, price, stretch.due, first, before, halves * count))


def units_beyond(
    counts: Sequence[tuple[date, int]], base_units: int, days: tuple[date, date]
) -> list[tuple[tuple[date, date], int]]:
    """The days cut wherever the number of units changes, each with how many units stood beyond the base."""
    found = []
    for part in cut(*days, [day for day, _ in counts]):
        count = next((count for day, count in reversed(counts) if day <= part[0]), 0)
        found.append((part, max(0, count - base_units)))
    return found


def _counts(stays: Iterable[Stay]) -> list[tuple[date, int]]:
    """How many units stood at the site from which day on."""
    changes: dict[date, int] = {}
    for stay in stays:
        changes[stay.starts_on] = changes.get(stay.starts_on, 0) + 1
        if stay.ends_before is not None:
            changes[stay.ends_before] = changes.get(stay.ends_before, 0) - 1
    counts, total = [], 0
    for day in sorted(changes):
        total += changes[day]
        counts.append((day, total))
    return counts
