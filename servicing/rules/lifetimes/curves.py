"""The curve of a fleet's wicks to look at: what the fit says beside what the looks say without any assumed form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from servicing.rules.lifetimes.cells import Cells, Floats
from servicing.rules.lifetimes.likelihood import log_ages
from servicing.rules.lifetimes.turnbull import fit_turnbull
from servicing.rules.lifetimes.wick_life import Label, WickFit, conditional_failure
from servicing.rules.nonsense import Nonsense

MOST_STEPS = 120
MOST_LOG = 700.0  # of what exp can take


@dataclass(frozen=True, slots=True)
class FleetCurve:
    """(A,) each: the share of wicks still working at ``ages_days``, with its interval."""

    ages_days: Floats
    share: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class LevelShift:
    """How long wicks of one level ("site:school") last against the operator's typical wick: a factor, its interval."""

    level: str
    factor: float
    low: float
    high: float


def fleet_curve(
    fit: WickFit, labels: Sequence[Label], counts: ArrayLike, ages_days: ArrayLike, *, level: float = 0.95
) -> FleetCurve:
    """The curve of a mixture of wicks, ``counts`` (G,) of them by ``labels`` (G), at ages (A,) in days.

    Each label's interval is that of log cumulative hazard by the delta method; the mixture's is the weighted mean of
    them, which holds where the labels' errors go together (they share the typical scale and the shape).
    Raises Nonsense without a wick, for a negative count or a negative age.
    """
    weight = np.asarray(counts, np.float64)
    ages = np.asarray(ages_days, np.float64)
    if weight.shape != (len(labels),) or not (weight >= 0).all() or not weight.sum() > 0:
        raise Nonsense("A fleet's curve needs wicks: one count, 0 or more, for each label.")
    if not ((ages >= 0) & np.isfinite(ages)).all():
        raise Nonsense("An age is 0 days or more.")
    weight = weight / weight.sum()
    places = fit.places(labels)
    variance, both = fit.spread_of_scale(places)
    log_hazard = fit.shape * (log_ages(ages)[None, :] - fit.log_scale(places)[:, None])
    spread = (
        fit.shape**2 * variance[:, None]
        - 2 * fit.shape * log_hazard * both[:, None]
        + log_hazard**2 * fit.covariance[-1][-1]
    )
    reach = float(ndtri((1 + level) / 2)) * np.sqrt(np.maximum(spread, 0.0))

    def share(at: Floats) -> Floats:
        return np.where(ages > 0, weight @ np.exp(-np.exp(np.minimum(at, MOST_LOG))), 1.0)

    return FleetCurve(ages, share(log_hazard), share(log_hazard + reach), share(log_hazard - reach))


def fleet_chance(
    fit: WickFit, labels: Sequence[Label], counts: ArrayLike, age_days: float, next_days: float
) -> tuple[float, float, float]:
    """(chance, low, high) that a wick of the mixture working at an age has failed ``next_days`` later.

    A label weighs by the wicks of it that reach the age.
    """
    places = fit.places(labels)
    alive = np.asarray(counts, np.float64) * np.exp(
        -np.exp(np.minimum(fit.shape * (log_ages(np.array([age_days])) - fit.log_scale(places)), MOST_LOG))
    )
    if not alive.sum() > 0:
        alive = np.asarray(counts, np.float64)
    found = conditional_failure(fit, places, np.full(len(labels), age_days), next_days)
    chance, low, high = (float(alive @ one / alive.sum()) for one in found)
    return chance, low, high


def level_shifts(fit: WickFit, *, level: float = 0.95) -> list[LevelShift]:
    """How far each level moves the scale, in the order of the fit's levels."""
    reach = float(ndtri((1 + level) / 2))
    return [
        LevelShift(
            name,
            *(
                float(np.exp(shift + side * reach * np.sqrt(fit.covariance[place][place])))
                for side in (0, -1, 1)
            ),
        )
        for place, (name, shift) in enumerate(zip(fit.levels, fit.coefficients[1:], strict=True), 1)
    ]


def check_steps(cells: Cells) -> list[tuple[float, float]]:
    """Turnbull's curve as (age in days, share still working from then on), at most 120 steps; none without a failure.

    Wicks watched from a later age than 0 are left out: the curve does not model them.
    """
    whole = cells.entry == 0
    if not (np.isfinite(cells.right) & whole).any():
        return []
    curve = fit_turnbull(
        Cells(
            cells.left[whole], cells.right[whole], cells.entry[whole], cells.code[whole], cells.count[whole]
        )
    )
    ended = np.isfinite(curve.right)
    steps = [
        (round(float(age), 1), round(float(share), 6))
        for age, share in zip(curve.right[ended], curve.survival[ended], strict=True)
    ]
    thin = -(-len(steps) // MOST_STEPS)
    return steps if thin <= 1 else [*steps[::-thin][::-1]]
