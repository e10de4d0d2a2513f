"""Curves of the figures page, as coordinates in boxes of 360 by 170: shares from 0 to 100 %."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from servicing.queries.wick_figures import CURVE_MONTHS, MONTH_DAYS, WickFigures
from servicing.rules.service_level import Ageing

LEFT, RIGHT, TOP, BOTTOM = 38.0, 352.0, 12.0, 138.0
TICKS = 5


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    word: str


@dataclass(frozen=True, slots=True)
class WickPicture:
    """``line`` with its ``band``, and ``steps`` of what was seen (empty: nothing yet); ``half_x`` where half have failed."""

    line: str
    band: str
    steps: str
    ages: list[Tick]
    shares: list[Tick]
    half_x: float | None


@dataclass(frozen=True, slots=True)
class AgeingPicture:
    steps: str
    band: str
    days: list[Tick]
    shares: list[Tick]
    half_days: int | None


def wick_picture(figures: WickFigures) -> WickPicture:
    """The share of wicks still working by age in months."""

    def x(months: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * min(months, CURVE_MONTHS) / CURVE_MONTHS, 1)

    months = [float(age) / MONTH_DAYS for age in figures.curve.ages_days]
    line, low, high = (
        [(x(month), _y(float(share))) for month, share in zip(months, shares, strict=True)]
        for shares in (figures.curve.share, figures.curve.low, figures.curve.high)
    )
    steps = [(age / MONTH_DAYS, share) for age, share in figures.steps if age / MONTH_DAYS <= CURVE_MONTHS]
    middle = figures.middle_months
    return WickPicture(
        line=_points(line),
        band=_points([*high, *reversed(low)]),
        steps=_points(_stairs([(x(month), _y(share)) for month, share in steps], x(0))) if steps else "",
        ages=[Tick(x(month), str(month)) for month in range(0, CURVE_MONTHS + 1, 6)],
        shares=_shares(),
        half_x=x(middle) if middle is not None and middle <= CURVE_MONTHS else None,
    )


def ageing_picture(ageing: Ageing) -> AgeingPicture | None:
    """The share of late spells still not served, by days past grace; None when there was none."""
    if ageing.days is None or ageing.open_share is None or ageing.low is None or ageing.high is None:
        return None
    longest = max(TICKS, -(-int(max(ageing.days)) // TICKS) * TICKS)

    def x(day: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * min(day, longest) / longest, 1)

    curve, low, high = (
        _stairs([(x(float(d)), _y(float(s))) for d, s in zip(ageing.days, shares, strict=True)], x(0))
        for shares in (ageing.open_share, ageing.low, ageing.high)
    )
    half = next((int(d) for d, s in zip(ageing.days, ageing.open_share, strict=True) if s <= 1 / 2), None)
    return AgeingPicture(
        steps=_points(curve),
        band=_points([*high, *reversed(low)]),
        days=[Tick(x(day), str(day)) for day in range(0, longest + 1, longest // TICKS)],
        shares=_shares(),
        half_days=half,
    )


def _y(share: float) -> float:
    return round(BOTTOM - (BOTTOM - TOP) * min(1.0, max(0.0, share)), 1)


def _shares() -> list[Tick]:
    return [Tick(_y(share / 100), f"{share} %") for share in (0, 50, 100)]


def _stairs(points: Iterable[tuple[float, float]], from_x: float) -> list[tuple[float, float]]:
    """Level from one point to the next, and straight down there, from 100 % on."""
    found = [(from_x, TOP)]
    for x, y in points:
        found += [(x, found[-1][1]), (x, y)]
    return found


def _points(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x},{y}" for x, y in points)
