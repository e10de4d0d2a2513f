"""The figures of a month beside those of the months before it: twelve months, and the twelve before them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cached_property
from uuid import UUID

import numpy as np
from numpy.typing import ArrayLike

from accounts import clock
from accounts import queries as accounts
from servicing.queries import forecasting
from servicing.queries.months.dryness import Dryness, dryness_of
from servicing.queries.months.due_days import DueDays
from servicing.queries.months.ground import Ground, ground_of
from servicing.queries.months.incidents import (
    Faulty,
    Places,
    Reported,
    Visits,
    faults_of,
    reports_of,
    visits_of,
)
from servicing.queries.months.service import Standing, Wicks, standing_of, unit_days, wicks_of
from servicing.queries.service_figures import CrewFigures, crew_figures
from servicing.rules.months import MONTH_DAYS, Floats, Window, month_after
from servicing.rules.service_level import OnTime, on_time, poisson_interval, wilson
from servicing.rules.shrinkage import gamma_fit, gamma_mean

PER_UNIT_MONTHS = 1_000
Range = tuple[float, float]


class Figure(StrEnum):
    """The figures of the sheet that events stand behind, as its addresses name them."""

    UNITS = "units"
    SITES = "sites"
    PUNCTUAL = "due-days"
    DRY = "dry-days"
    WICKS = "wicks"
    REPORTS = "reports"
    FAULTS = "faults"
    NOT_ADMITTED = "not-admitted"
    REMEDY = "first-go"
    RESTORED = "restored"
    LOAD = "crew-load"


@dataclass(frozen=True, slots=True)
class Series:
    """A figure by month: ``top`` over ``bottom`` (None: a plain number), times ``per``."""

    top: tuple[float, ...]
    bottom: tuple[float, ...] | None = None
    per: float = 1.0

    def value(self, at: int) -> float | None:
        """The figure of a month; None where there is nothing to divide by."""
        if self.bottom is None:
            return self.top[at]
        return self.per * self.top[at] / self.bottom[at] if self.bottom[at] else None

    @property
    def values(self) -> list[float | None]:
        return [self.value(at) for at in range(len(self.top))]


@dataclass(frozen=True, slots=True)
class Mode:
    """Failures of one mode in the month, and a 1,000 unit-months, with the exact 95 % interval."""

    mode: str
    count: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class CrewMonth:
    """A crew in the month: what it got done (None: no minutes known), and of ``asked`` due days at its sites those missed.

    ``missed_share`` is drawn towards that of all crews; ``low`` and ``high`` are the exact interval of its own count.
    """

    name: str
    output: CrewFigures | None
    asked: int
    missed: int
    missed_share: float
    low: float
    high: float


class Material:
    """All that a window's figures are counted from, and the rows behind them; each part is read when it is asked for."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    @property
    def window(self) -> Window:
        return self.ground.window

    @cached_property
    def places(self) -> Places:
        return Places(self.ground)

    @cached_property
    def standing(self) -> Standing:
        return standing_of(self.ground)

    @cached_property
    def unit_days(self) -> Floats:
        return unit_days(self.ground)

    @cached_property
    def due_days(self) -> DueDays:
        return DueDays(self.ground)

    @cached_property
    def dryness(self) -> Dryness:
        return dryness_of(self.ground)

    @cached_property
    def wicks(self) -> Wicks:
        return wicks_of(self.ground, forecasting.live_fits().wick.life)

    @cached_property
    def reports(self) -> list[Reported]:
        return reports_of(self.ground, self.places)

    @cached_property
    def faults(self) -> list[Faulty]:
        return faults_of(self.ground, self.places)

    @cached_property
    def visits(self) -> Visits:
        return visits_of(self.ground)


@dataclass(frozen=True)
class Sheet:
    """``month`` is the last of the window's; ``is_running``: it has days to come, and counts up to ``until``."""

    month: date
    until: date
    is_running: bool
    months: tuple[date, ...]
    series: dict[Figure, Series]
    ranges: dict[Figure, Range]
    on_time: OnTime
    units_gained: int
    units_lost: int
    sites_gained: int
    sites_lost: int
    worn: tuple[int, ...]
    expected: tuple[float, ...]
    worn_range: Range
    wicks_are_assumed: bool
    modes: list[Mode]
    crews: list[CrewMonth]
    reports_open: int
    unread: int


def last_whole_month(today: date) -> date:
    return month_after(today.replace(day=1), -1)


def material_of(month: date) -> Material:
    """What a month and the 23 before it are counted from, inside the scope. Raises Nonsense for a month to come."""
    today = clock.today(accounts.get_operator().zone)
    return Material(ground_of(Window.until(month, today)))


def sheet_of(material: Material) -> Sheet:
    """The sheet of the last month of the material."""
    window, last = material.window, len(material.window.months) - 1
    month = window.months[-1]
    series = {figure: series_of(material, figure) for figure in Figure}
    gained, lost = material.standing.gained(last), material.standing.lost(last)
    wicks = material.wicks
    return Sheet(
        month=month,
        until=window.last_on,
        is_running=window.last_on < date.fromordinal(month_after(month).toordinal() - 1),
        months=window.months,
        series=series,
        ranges={
            figure: found for figure, one in series.items() if (found := range_of(one, figure)) is not None
        },
        on_time=on_time_of(material),
        units_gained=len(gained[0]),
        units_lost=len(lost[0]),
        sites_gained=len(gained[1]),
        sites_lost=len(lost[1]),
        worn=tuple(wicks.worn.tolist()),
        expected=tuple(round(one, 6) for one in wicks.expected.tolist()),
        worn_range=_poisson(int(wicks.worn[last]), 1.0),
        wicks_are_assumed=forecasting.live_fits().wick.is_prior,
        modes=_modes(material, last),
        crews=_crews(material),
        reports_open=sum(
            one.day <= window.last_on.toordinal()
            and (one.closed_day is None or one.closed_day > window.last_on.toordinal())
            for one in material.reports
        ),
        unread=int((window.places(material.dryness.unread) == last).sum()),
    )


def series_of(material: Material, figure: Figure) -> Series:
    """One figure by month."""
    return _SERIES[figure](material)


def range_of(series: Series, figure: Figure) -> Range | None:
    """The 95 % interval of the last month's rate (exact Poisson) or share (Wilson), where it stands on single events."""
    if series.bottom is None or not series.bottom[-1]:
        return None
    if figure in {Figure.REPORTS, Figure.FAULTS}:
        low, high = _poisson(int(series.top[-1]), series.bottom[-1])
        return series.per * low, series.per * high
    if figure in {Figure.NOT_ADMITTED, Figure.REMEDY}:
        ends = wilson(series.top[-1], series.bottom[-1])
        return float(ends[0]), float(ends[1])
    return None


def _by_month(
    window: Window, days: Sequence[int], weights: Sequence[float] | None = None
) -> tuple[float, ...]:
    place = window.places(np.array(days, np.int64))
    weight = np.ones(len(days)) if weights is None else np.array(weights, np.float64)
    return _plain(np.bincount(place[place >= 0], weight[place >= 0], len(window.months)))


def _punctual(material: Material) -> Series:
    counted = material.due_days.by_month()
    return Series(_plain(counted.met), _plain(counted.asked))


def _per_unit_months(material: Material, days: Sequence[int]) -> Series:
    unit_months = _plain(material.unit_days / MONTH_DAYS)
    return Series(_by_month(material.window, days), unit_months, PER_UNIT_MONTHS)


def _remedy(material: Material) -> Series:
    judged = [
        (one.closed_day, not one.came_back)
        for one in material.faults
        if one.is_judged and one.closed_day is not None
    ]
    days = [day for day, _ in judged]
    return Series(
        _by_month(material.window, days, [held for _, held in judged]), _by_month(material.window, days)
    )


def _restored(material: Material) -> Series:
    closed = [
        (one.closed_day, one.open_days)
        for one in material.reports
        if one.closed_day is not None and one.open_days is not None
    ]
    days = [day for day, _ in closed]
    return Series(
        _by_month(material.window, days, [open_days for _, open_days in closed]),
        _by_month(material.window, days),
    )


_SERIES: dict[Figure, Callable[[Material], Series]] = {
    Figure.UNITS: lambda material: Series(_plain(material.standing.units.sum(axis=0)[1:])),
    Figure.SITES: lambda material: Series(_plain(material.standing.sites.sum(axis=0)[1:])),
    Figure.PUNCTUAL: _punctual,
    Figure.DRY: lambda material: Series(
        _plain(material.dryness.days.sum(axis=0)), _plain(material.unit_days)
    ),
    Figure.WICKS: lambda material: Series(_plain(material.wicks.changed)),
    Figure.REPORTS: lambda material: _per_unit_months(material, [one.day for one in material.reports]),
    Figure.FAULTS: lambda material: _per_unit_months(material, [one.day for one in material.faults]),
    Figure.NOT_ADMITTED: lambda material: Series(
        _plain(material.visits.not_admitted), _plain(material.visits.attempts)
    ),
    Figure.REMEDY: _remedy,
    Figure.RESTORED: _restored,
    Figure.LOAD: lambda material: Series(_plain(material.visits.minutes), _plain(material.visits.available)),
}


def _plain(values: ArrayLike) -> tuple[float, ...]:
    return tuple(np.asarray(values, np.float64).tolist())


def _poisson(count: int, exposure: float) -> Range:
    low, high = poisson_interval(count, exposure)
    return float(low), float(high)


def on_time_of(material: Material) -> OnTime:
    """The month's punctuality, its interval widened by how the due days of one crew and day go together."""
    month, sites = material.window.months[-1], material.ground.sites
    in_time: list[bool] = []
    crew_day: dict[tuple[UUID | None, date], int] = {}
    of_day: list[int] = []
    for tenure, kept in material.due_days.since(month):
        in_time.append(kept.in_time)
        of_day.append(crew_day.setdefault((sites[tenure.site].crew_id, kept.due_on), len(crew_day)))
    return on_time(in_time, of_day)


def _modes(material: Material, at: int) -> list[Mode]:
    window = material.window
    exposure = float(material.unit_days[at]) / MONTH_DAYS
    counts: dict[str, int] = {}
    for one in material.faults:
        if window.place(one.day) == at:
            counts[one.mode] = counts.get(one.mode, 0) + 1
    if not exposure:
        return []
    return [
        Mode(
            mode,
            count,
            PER_UNIT_MONTHS * count / exposure,
            *(PER_UNIT_MONTHS * end for end in _poisson(count, exposure)),
        )
        for mode, count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    ]


def _crews(material: Material) -> list[CrewMonth]:
    """The crews with work or due days in the month, by name: never by rank."""
    window, sites = material.window, material.ground.sites
    asked: dict[UUID, int] = {}
    missed: dict[UUID, int] = {}
    for tenure, kept in material.due_days.since(window.months[-1]):
        crew_id = sites[tenure.site].crew_id
        if crew_id is not None:
            asked[crew_id] = asked.get(crew_id, 0) + 1
            missed[crew_id] = missed.get(crew_id, 0) + (not kept.in_time)
    done = {one.crew_id: one for one in crew_figures(window.months[-1], window.last_on)}
    crews = [crew for crew in accounts.crews() if crew.id in done or crew.id in asked]
    shares = _shares([missed.get(crew.id, 0) for crew in crews], [asked.get(crew.id, 0) for crew in crews])
    return [
        CrewMonth(crew.name, done.get(crew.id), asked.get(crew.id, 0), missed.get(crew.id, 0), *share)
        for crew, share in zip(crews, shares, strict=True)
    ]


def _shares(missed: list[int], asked: list[int]) -> list[tuple[float, float, float]]:
    """Each crew's share of due days missed, drawn towards that of all; and the exact interval of its own."""
    if not any(asked):
        return [(0.0, 0.0, 0.0)] * len(asked)
    shape, rate = gamma_fit(missed, asked)
    shrunk = gamma_mean(shape, rate, missed, asked)
    ends = [_poisson(count, n) if n else (0.0, 1.0) for count, n in zip(missed, asked, strict=True)]
    return [
        (min(1.0, float(share)), low, min(1.0, high)) for share, (low, high) in zip(shrunk, ends, strict=True)
    ]
