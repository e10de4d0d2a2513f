"""How long an operator's wicks last: the live fit's curve, what the looks say beside it, and the figures in a table."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from uuid import UUID

from servicing.models import Fit
from servicing.queries import forecasting, learning
from servicing.queries.forecasting import WICK
from servicing.rules.forecasting.fits import PRIORS, WickFits, wick_fits_of
from servicing.rules.forecasting.learning import wicks_of_unit
from servicing.rules.lifetimes.cells import collapse, rows_of_wicks
from servicing.rules.lifetimes.curves import (
    FleetCurve,
    LevelShift,
    check_steps,
    fleet_chance,
    fleet_curve,
    level_shifts,
)
from servicing.rules.lifetimes.wick_life import Label

MONTH_DAYS = 365.25 / 12
TABLE_MONTHS = (3, 6, 9, 12, 15, 18, 21, 24)
CURVE_MONTHS = 30
# Whoever has no wicks yet sees the curve of the prior, which no label moves.
UNKNOWN: Label = ("other", "unknown", "neutral")


@dataclass(frozen=True, slots=True)
class AgeLine:
    """At an age in months: the share of wicks still working, and the chance to fail in the month after, with intervals."""

    months: int
    share: float
    share_low: float
    share_high: float
    chance: float
    chance_low: float
    chance_high: float


@dataclass(frozen=True, slots=True)
class WickFigures:
    """``fit`` None: nothing has been learnt yet, all is the prior. ``steps``: Turnbull's curve, (age in days, share)."""

    fit: Fit | None
    wicks: WickFits
    curve: FleetCurve
    steps: list[tuple[float, float]]
    lines: list[AgeLine]
    shifts: list[LevelShift]
    middle_months: float | None


def wick_figures() -> WickFigures:
    """The scope's operator's wick figures, from its live fit and all wicks of known age it has looked at."""
    fit = forecasting.live_fit(WICK)
    wicks = wick_fits_of(fit.parameters) if fit else PRIORS.wick
    labels, counts, steps = _looked_at(fit.id if fit else None)
    ages = [MONTH_DAYS * month for month in range(CURVE_MONTHS + 1)]
    curve = fleet_curve(wicks.life, labels, counts, ages)
    return WickFigures(
        fit=fit,
        wicks=wicks,
        curve=curve,
        steps=steps,
        lines=[_line(wicks, labels, counts, curve, months) for months in TABLE_MONTHS],
        shifts=level_shifts(wicks.life),
        middle_months=_middle(wicks, labels, counts),
    )


def _line(
    wicks: WickFits, labels: tuple[Label, ...], counts: tuple[int, ...], curve: FleetCurve, months: int
) -> AgeLine:
    chance, low, high = fleet_chance(wicks.life, labels, counts, months * MONTH_DAYS, MONTH_DAYS)
    share, share_low, share_high = (float(one[months]) for one in (curve.share, curve.low, curve.high))
    return AgeLine(months, share, share_low, share_high, chance, low, high)


def _middle(wicks: WickFits, labels: tuple[Label, ...], counts: tuple[int, ...]) -> float | None:
    """The age in months by which half of the wicks have failed; None beyond ten years."""
    months = range(1, 121)
    curve = fleet_curve(wicks.life, labels, counts, [MONTH_DAYS * month for month in months])
    before = 1.0
    for month, share in zip(months, curve.share.tolist(), strict=True):
        if share <= 1 / 2:
            return round(month - (1 / 2 - share) / max(before - share, 1e-9), 1)
        before = share
    return None


# A fit is made once a day, and its page is looked at more often.
@lru_cache(maxsize=64)
def _looked_at(
    fit_id: UUID | None,
) -> tuple[tuple[Label, ...], tuple[int, ...], list[tuple[float, float]]]:
    """The labels of the wicks with how many there are of each, and Turnbull's steps, as of when a fit is first shown."""
    units = learning.units_learnt(learning.told()) if fit_id else []
    rows = [(row, one.label) for one in units for row in wicks_of_unit(one)]
    if not rows:
        return (UNKNOWN,), (1,), []
    counts = Counter(label for _, label in rows)
    left, right = rows_of_wicks([row for row, _ in rows])
    return tuple(counts), tuple(counts.values()), check_steps(collapse(left, right))
