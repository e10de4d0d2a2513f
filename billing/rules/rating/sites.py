"""What a site costs by the month under a contract: its flat fee or base, and the units beyond the base."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from billing.rules.inputs import Basis, Inputs, Site
from billing.rules.months import month_after
from billing.rules.places import Stay
from billing.rules.pricing import Cover, cover_on, price_on
from billing.rules.rating.charges import Place, Rated, Rule
from billing.rules.rating.periods import (
    Month,
    Window,
    covered_days,
    cut,
    months_in,
    price_stretches,
    reach,
    site_stretches,
)
from billing.rules.rating.units import held_days
from billing.rules.terms import Mode

BY_SITE = frozenset({Mode.FLAT_SITE, Mode.BASE_PLUS})
BASES = {Rule.SITE_MONTH: Basis.SITE_MONTH, Rule.EXTRA_UNIT: Basis.EXTRA_UNIT}


def rate_site_months(inputs: Inputs, site: Site, stays: Iterable[Stay], window: Window, rated: Rated) -> None:
    """Add a site's months; ``stays`` are those of all units that ever stood there."""
    counts = _counts(stays)
    months: dict[tuple[date, Rule], Month] = {}
    for row in inputs.covers_of(site.id):
        starts_on, ends_before = covered_days(inputs, row)
        for month in months_in(starts_on, ends_before, reach(inputs, site.id, window)):
            end = month_after(month)
            days = max(starts_on, month), min(ends_before or end, end)
            for part in site_stretches(inputs, site, *days):
                cover = cover_on(inputs, site, part[0])
                if cover is None or cover.terms is None or cover.terms.mode not in BY_SITE:
                    continue
                due = window.due(cover, ends_before, month)
                if due is not None:
                    _add(months, inputs, site, cover, (month, due), part, counts, window, rated)
    for month, rule in sorted(months):
        rated.charges += months[month, rule].charges(window.open_from)


def _add(
    months: dict[tuple[date, Rule], Month],
    inputs: Inputs,
    site: Site,
    cover: Cover,
    month_and_due: tuple[date, date],
    days: tuple[date, date],
    counts: Sequence[tuple[date, int]],
    window: Window,
    rated: Rated,
) -> None:
    """Days under one cover: the fee, and with a base the units beyond it."""
    month, due = month_and_due
    rules = [(Rule.SITE_MONTH, days, 1)]
    if cover.terms is not None and cover.terms.mode is Mode.BASE_PLUS:
        beyond = units_beyond(counts, cover.terms.base_units, days)
        rules += [(Rule.EXTRA_UNIT, part, count) for part, count in beyond]
    for rule, stretch, count in rules:
        site_month = months.get((month, rule))
        if site_month is None:
            site_month = months[month, rule] = Month(inputs, rule, site.id, month)
        site_month.cover_days(cover, *stretch)
        if count:
            _add_stretch(site_month, site, cover, due, stretch, count, window, rated)


def _add_stretch(
    site_month: Month,
    site: Site,
    cover: Cover,
    due: date,
    days: tuple[date, date],
    count: int,
    window: Window,
    rated: Rated,
) -> None:
    inputs, basis = site_month.inputs, BASES[site_month.rule]
    for part in price_stretches(inputs, basis, "", cover, days):
        price = price_on(inputs, basis, part[0], contract=cover.contract, site_id=site.id)
        halves = site.halves_on(part[0])
        if price is None or price.version is None:
            if site_month.month == window.last_month:
                rated.days_without_price += (part[1] - part[0]).days
        elif price.is_missing_index and halves:
            rated.held.append(held_days(site, site.id, price.item.code, part))
        elif halves:
            site_month.add(Place(site), cover, price, due, part, halves * count)


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
