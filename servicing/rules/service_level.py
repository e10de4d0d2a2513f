"""How well the service is kept, and how sure one can be of it: punctuality, lateness, and what crews get done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtri

from servicing.rules.lifetimes.kaplan_meier import kaplan_meier
from servicing.rules.nonsense import Nonsense
from servicing.rules.punctuality import LateSpell

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
RATE_FROM_N = 20
AGEING_UNTIL_DAYS = (3, 7, 14, 30)


@dataclass(frozen=True, slots=True)
class OnTime:
    """The share of ``n`` due days met in time, with the interval from ``low`` to ``high``.

    ``rate`` is None under 20 due days: there only the interval says something. ``design_effect``: by how much the due
    days of one crew-day, which succeed or fail together, widen it; 1 if they do not.
    """

    n: int
    rate: float | None
    low: float
    high: float
    design_effect: float


@dataclass(frozen=True, slots=True)
class Ageing:
    """How long due days stay past grace.

    ``still_open``: spells not over yet, in the buckets up to 3, 7, 14, 30 days past grace and beyond. The curve (M,):
    after ``days`` past grace the share ``open_share`` is still open, with its 95 % interval; None without a spell.
    """

    still_open: tuple[int, ...]
    days: Floats | None
    open_share: Floats | None
    low: Floats | None
    high: Floats | None


@dataclass(frozen=True, slots=True)
class CrewOutput:
    """Units handled an hour on site, by crew (C,): as counted, its exact interval, and shrunk towards the operator's crews."""

    per_hour: Floats
    low: Floats
    high: Floats
    shrunk: Floats


def wilson(met: ArrayLike, n: ArrayLike, confidence: float = CONFIDENCE) -> tuple[Floats, Floats]:
    """Wilson's interval of a proportion, ``met`` of ``n`` (arrays or numbers): low and high, within 0 to 1.

    Source: Wilson 1927; Newcombe 1998 (from memory). Without a case anything is possible: 0 to 1. Effective counts that
    are no whole numbers are allowed. Raises Nonsense unless 0 <= met <= n.
    """
    good, cases = (np.asarray(count, dtype=np.float64) for count in (met, n))
    if not ((good >= 0) & (good <= cases) & np.isfinite(cases)).all():
        raise Nonsense("Of the cases counted, none to all went well.")
    z = _reach(confidence)
    size = np.maximum(cases, 1e-12)
    share = good / size
    middle = (share + z * z / (2 * size)) / (1 + z * z / size)
    reach = z / (1 + z * z / size) * np.sqrt(share * (1 - share) / size + z * z / (4 * size * size))
    low = np.where(good == 0, 0.0, np.clip(middle - reach, 0.0, 1.0))
    high = np.where(good == cases, 1.0, np.clip(middle + reach, 0.0, 1.0))
    return np.where(cases == 0, 0.0, low), np.where(cases == 0, 1.0, high)


def on_time(in_time: ArrayLike, crew_day: ArrayLike) -> OnTime:
    """Punctuality over due days (N,): ``in_time`` true or false, ``crew_day`` an integer naming each one's crew-day.

    A crew-day's due days are one cluster. The design effect is the ratio estimator's variance over that of independent
    cases (Kish 1965; from memory), never below 1; Wilson's interval is taken at n / design effect cases.
    Raises Nonsense if the two differ in length.
    """
    good = np.asarray(in_time, dtype=np.float64).ravel()
    days = np.asarray(crew_day, dtype=np.int64).ravel()
    if good.size != days.size or not np.isin(good, (0, 1)).all():
        raise Nonsense("Each due day was met in time or not, and belongs to one crew-day.")
    if not good.size:
        return OnTime(0, None, 0.0, 1.0, 1.0)
    share = float(good.mean())
    effect = _design_effect(good, days, share)
    low, high = wilson(good.sum() / effect, good.size / effect)
    rate = share if good.size >= RATE_FROM_N else None
    return OnTime(good.size, rate, float(low), float(high), effect)


def ageing(spells: Sequence[LateSpell]) -> Ageing:
    """How long due days stay past grace, from all late spells, over and open.

    The mean of those that are over would be too short: the long ones are still open. They are right-censored in the
    Kaplan-Meier curve.
    """
    open_days = np.array([spell.days for spell in spells if not spell.is_over], dtype=np.int64)
    bucket = np.searchsorted(AGEING_UNTIL_DAYS, open_days)
    still_open = tuple(int(count) for count in np.bincount(bucket, minlength=len(AGEING_UNTIL_DAYS) + 1))
    if not spells:
        return Ageing(still_open, None, None, None, None)
    curve = kaplan_meier([spell.days for spell in spells], [spell.is_over for spell in spells], CONFIDENCE)
    return Ageing(still_open, *curve)


def poisson_interval(
    counts: ArrayLike, exposure: ArrayLike = 1.0, confidence: float = CONFIDENCE
) -> tuple[Floats, Floats]:
    """The exact interval of a rate, ``counts`` over ``exposure`` (arrays or numbers): low and high per exposure.

    Half the chi-squared quantiles of 2 x and 2 x + 2 degrees of freedom, which are gamma quantiles.
    Source: Garwood 1936 (from memory). Raises Nonsense for a negative count or an exposure that is not positive.
    """
    count, time = (np.asarray(values, dtype=np.float64) for values in (counts, exposure))
    if not ((count >= 0) & np.isfinite(count)).all() or not ((time > 0) & np.isfinite(time)).all():
        raise Nonsense("A rate is a count, 0 or more, over an exposure of more than 0.")
    _reach(confidence)
    outside = (1 - confidence) / 2
    low = np.where(count > 0, gammaincinv(np.maximum(count, 1e-12), outside), 0.0)
    return low / time, gammaincinv(count + 1, 1 - outside) / time


def crew_output(handled: ArrayLike, hours: ArrayLike, prior: tuple[float, float]) -> CrewOutput:
    """Units an hour of each crew (C,), from the units it handled and its hours on site.

    ``prior`` is the gamma distribution of the operator's crews, shape and rate in hours; a crew's shrunk rate is
    (shape + handled) / (rate + hours), so that few hours say little. Raises Nonsense as ``poisson_interval`` does.
    """
    shape, rate = prior
    if not (0 < shape < np.inf and 0 < rate < np.inf):
        raise Nonsense(f"A gamma prior's shape and rate are more than 0, not {prior}.")
    low, high = poisson_interval(handled, hours)
    count, time = np.asarray(handled, dtype=np.float64), np.asarray(hours, dtype=np.float64)
    return CrewOutput(count / time, low, high, (shape + count) / (rate + time))


def _design_effect(good: Floats, crew_day: NDArray[np.int64], share: float) -> float:
    _, cluster = np.unique(crew_day, return_inverse=True)
    size = np.bincount(cluster)
    if size.size < 2 or share in {0.0, 1.0}:  # noqa: PLR2004 - one cluster shows no spread between clusters
        return 1.0
    off = np.bincount(cluster, weights=good) - share * size
    variance = size.size / (size.size - 1) * float(off @ off) / good.size**2
    return max(1.0, variance / (share * (1 - share) / (good.size - 1)))


def _reach(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise Nonsense(f"A confidence lies between 0 and 1, not {confidence}.")
    return float(ndtri((1 + confidence) / 2))
