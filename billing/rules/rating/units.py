"""What a unit costs by the month: by the list, or where a contract bills each unit's month."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from uuid import UUID

from billing.rules.dispositions import Reason
from billing.rules.inputs import Basis, Inputs, Site
from billing.rules.months import month_after
from billing.rules.places import Stay
from billing.rules.pricing import Cover, contract_is_over, cover_on, price_on
from billing.rules.rating.charges import Held, Place, Rated, Rule
from billing.rules.rating.periods import (
    Month,
    Window,
    last_covered,
    months_in,
    price_stretches,
    reach,
    site_stretches,
)
from billing.rules.terms import Mode


def rate_unit_months(
    inputs: Inputs, unit_id: UUID, stays: Sequence[Stay], window: Window, rated: Rated
) -> None:
    """Add a unit's months, and the days of the window's last month that nothing was charged for."""
    months: dict[date, Month] = {}
    for stay in stays:
        site = inputs.sites.get(stay.station.site_id)
        if site is None:
            continue
        for month in months_in(stay.starts_on, stay.ends_before, reach(inputs, site.id, window)):
            end = month_after(month)
            days = max(stay.starts_on, month), min(stay.ends_before or end, end)
            unit_month = months.get(month)
            if unit_month is None:
                unit_month = months[month] = Month(inputs, Rule.UNIT_MONTH, unit_id, month)
            _add_stay(unit_month, stay, site, days, window, rated)
    for month in sorted(months):
        rated.charges += months[month].charges(window.open_from)


def _add_stay(
    unit_month: Month, stay: Stay, site: Site, days: tuple[date, date], window: Window, rated: Rated
) -> None:
    inputs = unit_month.inputs
    for starts_on, ends_before in site_stretches(inputs, site, *days):
        cover = cover_on(inputs, site, starts_on)
        if cover is None:
            is_priced = inputs.items_for(Basis.UNIT_MONTH, fixture=stay.station.fixture)
            if unit_month.month == window.last_month and (
                is_priced or contract_is_over(inputs, site, starts_on)
            ):
                rated.days_without_agreement += (ends_before - starts_on).days
        elif cover.terms is None or cover.terms.mode is Mode.UNIT_MONTH:
            until = last_covered(inputs, site.id, cover, starts_on)
            due = window.due(cover, until, unit_month.month)
            if due is not None:
                unit_month.cover_days(cover, starts_on, ends_before)
                _add_stretch(unit_month, stay, site, cover, due, (starts_on, ends_before), window, rated)


def _add_stretch(
    unit_month: Month,
    stay: Stay,
    site: Site,
    cover: Cover,
    due: date,
    days: tuple[date, date],
    window: Window,
    rated: Rated,
) -> None:
    inputs, fixture = unit_month.inputs, stay.station.fixture
    if cover.contract is None and not inputs.items_for(Basis.UNIT_MONTH, fixture=fixture):
        return
    place = Place(site, stay.station, inputs.units.get(unit_month.subject_id, ""))
    for part in price_stretches(inputs, Basis.UNIT_MONTH, fixture, cover, days):
        price = price_on(
            inputs, Basis.UNIT_MONTH, part[0], fixture=fixture, contract=cover.contract, site_id=site.id
        )
        halves = site.halves_on(part[0])
        if price is None or price.version is None:
            if unit_month.month == window.last_month:
                rated.days_without_price += (part[1] - part[0]).days
        elif price.is_missing_index and halves:
            rated.held.append(held_days(site, unit_month.subject_id, price.item.code, part))
        elif halves:
            unit_month.add(place, cover, price, due, part, halves)


def held_days(site: Site, subject_id: UUID, item_code: str, days: tuple[date, date]) -> Held:
    """Days that wait for the figure of an index."""
    return Held(Reason.INDEX_MISSING, site.customer_id, site.id, site.code, subject_id, item_code, *days)
