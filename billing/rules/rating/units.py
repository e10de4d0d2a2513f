"""What a unit costs by the month: by the list, or where a contract bills each unit's month."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from uuid import UUID

from billing.rules.dispositions import Reason
from billing.rules.inputs import Basis, Site
from billing.rules.months import month_after
from billing.rules.places import Stay
from billing.rules.pricing import Cover, contract_is_over, cover_on, price_on
from billing.rules.rating.charges import Charge, Held, Like, Rated, Rule
from billing.rules.rating.periods import Days, Month
from billing.rules.rating.runs import Run, last_covered, months_in, price_stretches, site_stretches
from billing.rules.terms import Mode


def rate_unit_months(run: Run, unit_id: UUID, stays: Sequence[Stay]) -> None:
    """Add a unit's months, and the days of the window's last month that nothing was charged for."""
    months: dict[date, Month] = {}
    for stay in stays:
        site = run.inputs.sites.get(stay.station.site_id)
        if site is None:
            continue
        for month in months_in(stay.starts_on, stay.ends_before, run.reach(site)):
            end = month_after(month)
            if stay.starts_on <= month and (stay.ends_before is None or end <= stay.ends_before):
                _add_whole_month(run, unit_id, stay, site, month)
                continue
            if (unit_month := months.get(month)) is None:
                unit_month = months[month] = Month(run, Rule.UNIT_MONTH, unit_id, month)
            _add_stay(unit_month, stay, site, max(stay.starts_on, month), min(stay.ends_before or end, end))
    for month in sorted(months):
        run.rated.charges += [charge for _, charge in months[month].charges()]


@dataclass(slots=True)
class _Whole:
    """What a whole month of any unit at a site's fixtures of one kind comes to."""

    likes: list[Like]
    held: list[Held]
    days_without_price: int
    days_without_agreement: int


def _add_whole_month(run: Run, unit_id: UUID, stay: Stay, site: Site, month: date) -> None:
    """A unit that stood at one station all month costs what the others of its site did: it is worked out once."""
    key = (id(site), stay.station.fixture, month)
    whole: _Whole | None = run.known.get(key)
    if whole is None:
        whole = run.known[key] = _whole(run, unit_id, stay, site, month)
    rated = run.rated
    unit_code, place = run.inputs.units.get(unit_id, ""), stay.station.label
    rated.charges += [
        like.of(
            unit_id, subject_id=unit_id, event_id=None, unit_code=unit_code, place=place, occurred_at=None
        )
        for like in whole.likes
    ]
    rated.held += [replace(one, subject_id=unit_id) for one in whole.held]
    rated.days_without_price += whole.days_without_price
    rated.days_without_agreement += whole.days_without_agreement


def _whole(run: Run, unit_id: UUID, stay: Stay, site: Site, month: date) -> _Whole:
    alone = Run(run.inputs, run.window, Rated(), run.known)
    unit_month = Month(alone, Rule.UNIT_MONTH, unit_id, month)
    _add_stay(unit_month, stay, site, month, month_after(month))
    likes = [_like(unit_month, days, charge) for days, charge in unit_month.charges()]
    rated = alone.rated
    return _Whole(likes, rated.held, rated.days_without_price, rated.days_without_agreement)


def _like(unit_month: Month, days: Days, charge: Charge) -> Like:
    operator_id = unit_month.run.inputs.operator.id
    return Like(charge, operator_id, unit_month.key_parts(days), unit_month.subject_id)


def _add_stay(unit_month: Month, stay: Stay, site: Site, starts_on: date, ends_before: date) -> None:
    run, fixture = unit_month.run, stay.station.fixture
    for first, before in site_stretches(run.inputs, site, starts_on, ends_before):
        cover = cover_on(run.inputs, site, first)
        if cover is None:
            is_priced = run.inputs.items_for(Basis.UNIT_MONTH, fixture=fixture)
            is_last = unit_month.month == run.window.last_month
            if is_last and (is_priced or contract_is_over(run.inputs, site, first)):
                run.rated.days_without_agreement += (before - first).days
        elif cover.terms is None or cover.terms.mode is Mode.UNIT_MONTH:
            until = last_covered(run.inputs, site.id, cover, first)
            due = run.window.due(cover, until, unit_month.month)
            if due is not None:
                unit_month.cover_days(cover, first, before)
                _add_stretch(unit_month, stay, site, cover, Stretch(due, first, before))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Days [starts_on, ends_before) that are due with the close of a month."""

    due: date
    starts_on: date
    ends_before: date


def _add_stretch(unit_month: Month, stay: Stay, site: Site, cover: Cover, stretch: Stretch) -> None:
    run, station = unit_month.run, stay.station
    if cover.contract is None and not run.inputs.items_for(Basis.UNIT_MONTH, fixture=station.fixture):
        return
    days = (stretch.starts_on, stretch.ends_before)
    for first, before in price_stretches(run.inputs, Basis.UNIT_MONTH, station.fixture, cover, days):
        price = price_on(
            run.inputs,
            Basis.UNIT_MONTH,
            first,
            fixture=station.fixture,
            contract=cover.contract,
            site_id=site.id,
        )
        halves = site.halves_on(first)
        if price is None or price.version is None:
            if unit_month.month == run.window.last_month:
                run.rated.days_without_price += (before - first).days
        elif price.is_missing_index and halves:
            run.rated.held.append(held_days(site, unit_month.subject_id, price.item.code, (first, before)))
        elif halves:
            unit_month.add(Days(site, station, cover, price, stretch.due, first, before, halves))


def held_days(site: Site, subject_id: UUID, item_code: str, days: tuple[date, date]) -> Held:
    """Days that wait for the figure of an index."""
    return Held(Reason.INDEX_MISSING, site.customer_id, site.id, site.code, subject_id, item_code, *days)
