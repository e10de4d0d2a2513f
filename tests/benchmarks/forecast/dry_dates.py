"""Dry dates of a fleet with their 80 % intervals and the chance of being dry before the due day, from its readings.

Against the same arithmetic as one plain numpy pass in this folder. Eighteen readings a unit, of which some are only
bounds (found dry, hardly touched, too little gone for the eye), disturbed, or missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from servicing.rules.dose.model import DoseFit, season_at
from servicing.rules.dose.posterior import fold_posterior
from servicing.rules.dose.readings import DISTURBED, MISSING, RAN_DRY, READ, SLOTS, UNTOUCHED, Readings
from servicing.rules.drying import Slowing, chance_dry_before, dose_ahead, dry_days
from tests.benchmarks.forecast import plain_dates
from tests.benchmarks.forecast.plain_dates import Floats
from tests.benchmarks.rounds import SEED, interleave, times_as_long

TARGET = 3
ROUNDS = 3
FIT = DoseFit(mean=0.05, between_sd=0.15, visit_sd=0.10, season=(0.03, -0.08))
TODAY = 20_781.0
# Relative. The plain pass does not begin anew after two odd readings, so that some few units may differ.
AGREEMENT, AGREEING = 1e-6, 0.9999


def run(_: None, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 1,000,000 units; else 200,000."""
    number = 1_000_000 if full else 200_000
    fleet = _fleet(np.random.default_rng(SEED), number)
    found: dict[str, Floats] = {}

    def ours(_: int) -> None:
        found["ours"] = _ours(fleet)

    def plain(_: int) -> None:
        slowing = fleet.slowing
        slow = (slowing.hazard_per_day, slowing.flow_after, slowing.stops_per_day)
        when = (fleet.level, fleet.day, fleet.until)
        # Rows that say nothing are 0 in the tables; what comes of them is set aside.
        with np.errstate(invalid="ignore", divide="ignore"):
            found["plain"] = plain_dates.dry_dates(fleet.readings, fleet.nominal, FIT, slow, when)

    speeds = interleave({"ours": ours, "plain": plain}, rounds=ROUNDS, count=number, unit="units/s")
    line = times_as_long(
        "forecast.dry_dates",
        speeds["ours"],
        "one plain numpy pass of the same arithmetic",
        speeds["plain"],
        target=TARGET,
        n=number,
        unit="units/s",
    )
    agree = np.isclose(found["ours"], found["plain"], rtol=AGREEMENT, atol=1e-12).all(axis=0).mean()
    kinds = fleet.readings.kind
    yield line | {
        "agreeing": round(float(agree), 6),
        "bounds_only": round(float(_only_bounds(fleet.readings).sum() / (kinds != MISSING).sum()), 3),
        "ok": line["ok"] and bool(agree >= AGREEING),
    }


@dataclass(frozen=True, slots=True)
class _Fleet:
    """What dry dates are reckoned from; all (U,) but the readings."""

    readings: Readings
    nominal: Floats
    slowing: Slowing
    level: Floats
    day: Floats
    until: Floats


def _ours(fleet: _Fleet) -> Floats:
    prior = np.full(len(fleet.nominal), FIT.mean)
    posterior = fold_posterior(fleet.readings, fleet.nominal, prior, FIT)
    ahead = dose_ahead(posterior, FIT, fleet.nominal, level_ml=fleet.level, level_day=fleet.day)
    days = [dry_days(fleet.level, ahead, quantile, fleet.slowing) for quantile in (0.1, 0.5, 0.9)]
    return np.stack([*days, chance_dry_before(fleet.level, fleet.until, ahead, fleet.slowing)])


def _only_bounds(readings: Readings) -> Any:
    wide = (readings.kind == READ) & (
        readings.high_ml - readings.low_ml > 0.25 * (readings.high_ml + readings.low_ml)
    )
    return wide | (readings.kind == RAN_DRY) | (readings.kind == UNTOUCHED)


def _fleet(draw: np.random.Generator, number: int) -> _Fleet:
    """Units that were exchanged once a month, one interval in twenty cut short; tables slot by slot in memory."""
    nominal = draw.choice([5.0, 25 / 3, 40 / 3], number)
    charge = np.rint(nominal * 37 / 10) * 10
    rate = nominal * np.exp(FIT.mean + draw.normal(0, FIT.between_sd, number))
    shape = (SLOTS, number)
    days = np.where(draw.random(shape) < 0.05, draw.uniform(3, 6, shape), draw.uniform(27, 34, shape))
    ended = TODAY - 5 - np.cumsum(days[::-1], axis=0)[::-1] + days
    noise = draw.normal(0, FIT.visit_sd, shape) + season_at(FIT, ended - 0.5 * days)
    used = np.rint(rate * days * np.exp(noise) / 10) * 10
    kind = np.full(shape, READ, np.int8)
    kind[used <= 10] = UNTOUCHED
    kind[used >= charge] = RAN_DRY
    kind[draw.random(shape) < 0.03] = DISTURBED
    kind[np.arange(SLOTS)[:, None] < draw.integers(-SLOTS, SLOTS, number)] = MISSING
    missing = kind == MISSING
    low = np.where(kind == RAN_DRY, charge, np.maximum(used - 10, 0.0))
    high = np.where(kind == RAN_DRY, np.inf, used + 10)
    return _Fleet(
        readings=Readings(
            ended_day=np.where(missing, 0.0, ended).T,
            days=np.where(missing, 0.0, days).T,
            available_ml=np.where(missing, 0.0, charge).T,
            low_ml=np.where(missing, 0.0, low).T,
            high_ml=np.where(missing, 0.0, high).T,
            kind=kind.T,
        ),
        nominal=nominal,
        slowing=Slowing(
            draw.uniform(0.0002, 0.003, number), np.full(number, 0.35), np.full(number, 1 / 4_383)
        ),
        level=charge + 20,
        day=ended[-1],
        until=draw.uniform(10, 40, number),
    )
