"""What another cartridge or another grace would have come to, on visits as they were made. Volumes mL, times in days.

A model of the trade-off, not a forecast: each visit's delay and each unit's dose stay what they were.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
# Places of the dose's distribution and phases of the year that a figure is averaged over.
DOSES, PHASES = 64, 12
LONGEST_GAP = 400
LEAST_GAP = 1


@dataclass(frozen=True, slots=True)
class Doses:
    """What units drip: ``log_mean`` of the mL a day (each with its ``weight``), the ``log_sd`` of one interval of one
    unit about it, and by how much the season swings the log up and down.
    """

    log_mean: tuple[float, ...]
    weight: tuple[float, ...]
    log_sd: float
    season: float = 0.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of cartridges of one size: ``empty_share`` of them empty before the exchange, ``dry_share`` of all days without
    liquid in the cartridge; a unit and year: ``exchanges``, liquid ``filled_ml``, and what of it is left at the exchange.
    """

    volume_ml: int
    empty_share: float
    dry_share: float
    exchanges: float
    filled_ml: float
    left_ml: float


def what_if(volume_ml: int, gaps_days: ArrayLike, doses: Doses, times: ArrayLike | None = None) -> Outcome:
    """The outcome for a cartridge of ``volume_ml``, over the gaps between exchanges as they were (whole days, (N,)), each so
    many ``times`` (once, without).

    A cartridge lasts T = volume / dose, the dose log-normal and shifted by the season; it is empty before the exchange
    where T < gap, and dry for gap - T days then. Averaged over the gaps, 64 quantiles of the dose and 12 phases of the
    year. Raises Nonsense without a gap, for gaps outside 1 to 400 days, a volume or a spread that is not positive.
    """
    gaps = np.asarray(gaps_days, np.int64).ravel()
    if not gaps.size or not ((gaps >= LEAST_GAP) & (gaps <= LONGEST_GAP)).all():
        raise Nonsense(f"Gaps between exchanges are {LEAST_GAP} to {LONGEST_GAP} days.")
    if volume_ml <= 0 or not doses.log_sd > 0 or len(doses.weight) != len(doses.log_mean):
        raise Nonsense("A cartridge holds more than 0 mL, and doses differ.")
    length, place = np.unique(gaps, return_inverse=True)
    count = np.bincount(place, None if times is None else np.asarray(times, np.float64).ravel())
    of_gaps = count / count.sum()
    dose, of_doses = _doses(doses)
    lasts = volume_ml / dose
    is_empty = lasts[None, :] < length[:, None]
    dry = np.maximum(length[:, None] - lasts[None, :], 0.0)
    left = volume_ml - dose[None, :] * np.minimum(length[:, None], lasts[None, :])
    mean_gap = float(of_gaps @ length)
    exchanges = DAYS_PER_YEAR / mean_gap
    return Outcome(
        volume_ml,
        empty_share=float(of_gaps @ is_empty @ of_doses),
        dry_share=float(of_gaps @ dry @ of_doses) / mean_gap,
        exchanges=exchanges,
        filled_ml=exchanges * volume_ml,
        left_ml=exchanges * float(of_gaps @ left @ of_doses),
    )


def gaps_at_grace(
    gaps_days: Sequence[int],
    first_delay: Sequence[int | None],
    last_delay: Sequence[int | None],
    *,
    grace_days: int,
    other_grace_days: int,
) -> list[int]:
    """The gaps if crews had ``other_grace_days`` after the due day instead of ``grace_days``.

    ``first_delay`` and ``last_delay``: how many days after its due day each end of a gap was done (None: it met none).
    Delays within the grace stretch with it, later ones keep their distance from its end, early visits stay: so crews are
    taken to use what they are given. Judgement, our own. Gaps stay within 1 to 400 days.
    """

    def moved(delay: int | None) -> int:
        if delay is None or delay <= 0:
            return 0
        if delay > grace_days:
            return other_grace_days - grace_days
        return round(delay * other_grace_days / grace_days) - delay

    return [
        min(LONGEST_GAP, max(LEAST_GAP, gap + moved(last) - moved(first)))
        for gap, first, last in zip(gaps_days, first_delay, last_delay, strict=True)
    ]


def _doses(doses: Doses) -> tuple[Floats, Floats]:
    """Doses in mL a day at equal steps of probability and season, with the weight of each."""
    places = ndtri((np.arange(DOSES) + 0.5) / DOSES) * doses.log_sd
    phases = doses.season * np.sin(2 * math.pi * (np.arange(PHASES) + 0.5) / PHASES)
    means = np.array(doses.log_mean, np.float64)
    share = np.array(doses.weight, np.float64) / sum(doses.weight)
    log_dose = means[:, None, None] + places[None, :, None] + phases[None, None, :]
    weight = np.broadcast_to(share[:, None, None] / (DOSES * PHASES), log_dose.shape)
    return np.exp(log_dose).ravel(), weight.ravel()


def chance_below(volume_ml: float, days: float, log_mean: float, log_sd: float) -> float:
    """P(a cartridge of ``volume_ml`` lasts less than ``days``) for one log-normal dose, without a season."""
    return float(ndtr((math.log(days) + log_mean - math.log(volume_ml)) / log_sd))
