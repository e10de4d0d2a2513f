"""What an operator's histories taught: of doses and of wicks, beside what the drift chart and washing need to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from servicing.rules.dose.model import PRIOR_DOSE, DoseFit
from servicing.rules.lifetimes.wick_life import PRIOR_WICK, WickFit

# Outlets that plug, a unit and day, before an operator has seen any: one in twelve years. Judgement, our own.
PRIOR_STOPS_PER_DAY = 1 / 4_383
# A washed wick is good again in half of the cases until an operator has washed some: judgement.
PRIOR_RECOVERY = 0.5
DIGITS = 9


@dataclass(frozen=True, slots=True)
class DoseFits:
    """``fit`` of the doses; ``stops_per_day`` how often outlets plug; ``resets_per_reading`` which share of readings is the
    first after a wick change, which the drift chart's limits depend on.
    """

    fit: DoseFit = PRIOR_DOSE
    stops_per_day: float = PRIOR_STOPS_PER_DAY
    resets_per_reading: float = 0.0

    @property
    def is_prior(self) -> bool:
        """Whether nothing of it is the operator's own."""
        return not self.fit.readings

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``dose_fits_of`` takes them back."""
        return {
            **self.fit.to_json(),
            "stops_per_day": round(self.stops_per_day, DIGITS),
            "resets_per_reading": round(self.resets_per_reading, DIGITS),
        }


@dataclass(frozen=True, slots=True)
class WickFits:
    """``life`` of the wicks, and ``recovery``, the chance that washing a slow one helps."""

    life: WickFit = PRIOR_WICK
    recovery: float = PRIOR_RECOVERY

    @property
    def is_prior(self) -> bool:
        """Whether the operator has too few failures for a curve of its own."""
        return self.life.from_prior

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``wick_fits_of`` takes them back."""
        return {**self.life.to_json(), "recovery": round(self.recovery, DIGITS)}


@dataclass(frozen=True, slots=True)
class Fits:
    dose: DoseFits
    wick: WickFits


PRIORS = Fits(DoseFits(), WickFits())


def dose_fits_of(stored: Mapping[str, Any]) -> DoseFits:
    """A stored fit of doses."""
    own = dict(stored)
    stops, resets = own.pop("stops_per_day"), own.pop("resets_per_reading")
    return DoseFits(DoseFit.from_json(own), stops, resets)


def wick_fits_of(stored: Mapping[str, Any]) -> WickFits:
    """A stored fit of wicks."""
    return WickFits(WickFit.from_json(stored), stored["recovery"])
