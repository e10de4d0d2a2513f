"""Readings of invented fleets for the tests of doses: known truth, seeded draws."""

from dataclasses import dataclass

import numpy as np

from servicing.rules.dose.readings import DISTURBED, MISSING, RAN_DRY, READ, SLOTS, UNTOUCHED, Readings

NOMINAL = 8.0


@dataclass(frozen=True)
class Truth:
    between_sd: float = 0.12
    visit_sd: float = 0.04
    mean: float = 0.05
    season: tuple[float, float] = (0.06, -0.04)
    available_ml: float = 295.0
    half_width_ml: float = 10.0
    faulty: float = 0.0
    fewest: int = 1


def fleet(truth: Truth, units: int, seed: int):
    """Readings, and each unit's true log ratio to nominal."""
    draw = np.random.default_rng(seed)
    own = truth.mean + truth.between_sd * draw.normal(size=units)
    shape = (units, SLOTS)
    days = draw.uniform(26.0, 34.0, shape)
    ended = 20_000 - 30.4 * np.arange(SLOTS)[::-1] + draw.uniform(-2, 2, shape)
    phase = 2 * np.pi * (ended - days / 2) / 365.25
    season = truth.season[0] * np.sin(phase) + truth.season[1] * np.cos(phase)
    rate = NOMINAL * np.exp(own[:, None] + season + truth.visit_sd * draw.normal(size=shape))
    rate *= np.where(draw.random(shape) < truth.faulty, draw.uniform(0.35, 0.8, shape), 1.0)
    used = rate * days
    seen = used + draw.uniform(-truth.half_width_ml, truth.half_width_ml, shape)
    kind = np.full(shape, READ, np.int8)
    kind[seen <= truth.half_width_ml] = UNTOUCHED
    kind[used >= truth.available_ml] = RAN_DRY
    kind[draw.random(shape) < 0.03] = DISTURBED
    kind[np.arange(SLOTS) < SLOTS - draw.integers(truth.fewest, SLOTS + 1, (units, 1))] = MISSING
    low = np.where(kind == RAN_DRY, truth.available_ml, np.maximum(seen - truth.half_width_ml, 0.0))
    high = np.where(kind == RAN_DRY, np.inf, seen + truth.half_width_ml)
    return Readings(ended, days, np.full(shape, truth.available_ml), low, high, kind), own


def nominal_of(readings: Readings):
    return np.full(readings.units, NOMINAL)
