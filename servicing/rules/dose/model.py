"""What the units of one operator have in common, and the arithmetic every row of readings goes through first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicing.rules.dose.readings import DAYS_PER_YEAR, READ, Kinds
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
METHOD = "dose-1"
DIGITS = 6
# Up to this share of what dripped out, the eye's step is noise beside the value; above it, two bounds.
NARROW = 0.25
WIDEST = 1.0
LEAST_DOSE, GREATEST_DOSE = 0.001, 10_000.0  # mL a day: what no drip unit can be set to lies beyond
FARTHEST_LOG = 20.0
LEAST_SPREAD = 1e-6


@dataclass(frozen=True, slots=True)
class DoseFit:
    """The doses of an operator's units, as logs of their ratio to the nominal dose.

    log(dose/nominal) of a unit is normal about its group's mean (``groups``; ``mean`` where a group is unknown) with
    ``between_sd``; each interval of it about the unit's own with ``visit_sd``, and shifted by the season,
    ``season`` = (a, b) in a sin(w) + b cos(w), w the phase of the year at the interval's middle. ``units``,
    ``readings`` and ``censored`` (those of the readings that are only bounds) count what it is based on.
    """

    mean: float
    between_sd: float
    visit_sd: float
    season: tuple[float, float] = (0.0, 0.0)
    groups: Mapping[str, float] = field(default_factory=dict)
    units: int = 0
    readings: int = 0
    censored: int = 0
    method: str = METHOD

    def __post_init__(self) -> None:
        numbers = (self.mean, self.between_sd, self.visit_sd, *self.season, *self.groups.values())
        in_reach = all(abs(one) <= FARTHEST_LOG for one in numbers)
        if not in_reach or min(self.between_sd, self.visit_sd) < LEAST_SPREAD:
            raise Nonsense(f"A fit has finite means and spreads above 0, not {numbers}.")

    def to_json(self) -> dict[str, Any]:
        return {
            "mean": self.mean,
            "between_sd": self.between_sd,
            "visit_sd": self.visit_sd,
            "season": list(self.season),
            "groups": dict(self.groups),
            "units": self.units,
            "readings": self.readings,
            "censored": self.censored,
            "method": self.method,
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> DoseFit:
        sin, cos = stored["season"]
        return cls(**{**stored, "season": (sin, cos)})


# Before an operator has readings: doses within a third of nominal, intervals of one unit within a fifth of each other.
# Judgement, our own; no published figure is known.
PRIOR_DOSE = DoseFit(mean=0.0, between_sd=0.15, visit_sd=0.10)


def prior_means(fit: DoseFit, groups: Sequence[str]) -> Floats:
    """The mean to expect of a unit before its own readings, by its group (U,)."""
    return np.array([fit.groups.get(group, fit.mean) for group in groups], np.float64)


def season_at(fit: DoseFit, day: Floats) -> Floats:
    """What the season adds to the log of a dose on a day (days since 1970-01-01; any shape)."""
    phase = (2 * math.pi / DAYS_PER_YEAR) * day
    return fit.season[0] * np.sin(phase) + fit.season[1] * np.cos(phase)


def dose_ml_per_day(nominal_ml_per_day: Floats, mean: Floats, season: Floats | float = 0.0) -> Floats:
    """The dose of a unit, mL a day: nominal x exp(mean + season), the middle of what is thought possible."""
    return nominal_ml_per_day * np.exp(mean + season)


def check_nominal(nominal_ml_per_day: Floats, units: int) -> None:
    if nominal_ml_per_day.shape != (units,):
        raise Nonsense(f"Nominal doses are one a unit, ({units},), not {nominal_ml_per_day.shape}.")
    if not ((nominal_ml_per_day >= LEAST_DOSE) & (nominal_ml_per_day <= GREATEST_DOSE)).all():
        raise Nonsense(f"A nominal dose lies between {LEAST_DOSE} and {GREATEST_DOSE:.0f} mL a day.")


def is_narrow(low_ml: Floats, high_ml: Floats, kind: Kinds) -> NDArray[np.bool_]:
    """Whether a row was read well enough to count as its middle with the eye's error, and not as two bounds."""
    return (kind == READ) & ((high_ml - low_ml) <= NARROW * (high_ml + low_ml))


def eye_variance(low_ml: Floats, high_ml: Floats, expected_ml: Floats) -> Floats:
    """Variance of the log of a reading that lies anywhere between two bounds: (half width / expected)^2 / 3.

    Expected to be at least the bounds' distance. By what is expected, not by what was read: else a reading that errs upwards would count for more than one that errs
    downwards.
    """
    share = np.minimum((high_ml - low_ml) / expected_ml, WIDEST)
    return share * share * (1 / 12)
