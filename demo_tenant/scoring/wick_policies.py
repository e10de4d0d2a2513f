"""What keeping wicks costs under three rules, replayed on wicks whose true end is known."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from demo_tenant.scoring.truth import Sight
from demo_tenant.world import DAY, MONTH_DAYS, TIRED_FROM

YEAR_DAYS = 365.25
OLD_DAYS = 365.0
VISITS_AT_MOST = 240  # twenty years of months
NO, WASH, CHANGE = 0, 1, 2

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
# From the places of wicks among the lives, their ages in days and whether each looked slow: what to do at this visit.
Policy = Callable[[NDArray[np.intp], Floats, Flags], NDArray[np.int8]]


@dataclass(frozen=True, slots=True)
class Prices:
    """What an operator pays: a change in time, a wick found failed (its change included), each day it was down, a wash."""

    change: float
    failure: float
    down_day: float
    wash: float


@dataclass(frozen=True, slots=True)
class Bill:
    """What a policy cost over all wick-years served, and how it came about."""

    cost: float
    wick_years: float
    changes: int
    failures: int
    washes: int

    @property
    def per_wick_year(self) -> float:
        return self.cost / self.wick_years if self.wick_years else math.inf


def true_lives_days(sights: Iterable[Sequence[Sight]], since: datetime) -> list[tuple[UUID, float]]:
    """The unit and the whole life in days of each wick that was fitted new at or after ``since``."""
    lives = []
    for own in sights:
        seen = set()
        for sight in own:
            fitted_at, ends_at = sight.after.wick_fitted_at, sight.after.wick_ends_at
            if fitted_at >= since and fitted_at not in seen:
                seen.add(fitted_at)
                lives.append((sight.unit_id, (ends_at - fitted_at) / DAY))
    return lives


def replay(lives_days: Sequence[float], policy: Policy, prices: Prices, *, at_once: bool = False) -> Bill:
    """Each wick is looked at monthly until it is found failed or changed in time; it looks slow near its end.

    The policy is asked before the visit, so it knows how the wick looked at the one before; ``at_once``: it knows how it
    looks now. A washed wick lives on as before: in the invented world washing neither harms nor mends.
    """
    lives = np.asarray(lives_days, dtype=np.float64)
    alive = np.ones(len(lives), dtype=bool)
    cost = days = 0.0
    changes = failures = washes = 0
    for visit in range(1, VISITS_AT_MOST + 1):
        age = visit * MONTH_DAYS
        failed = alive & (lives <= age)
        failures += int(failed.sum())
        cost += float(failed.sum()) * prices.failure + float((age - lives[failed]).sum()) * prices.down_day
        days += float(failed.sum()) * age
        alive &= ~failed
        if not alive.any():
            break
        action = np.zeros(len(lives), dtype=np.int8)
        looked_at, left = age if at_once else age - MONTH_DAYS, np.flatnonzero(alive)
        action[left] = policy(left, np.full(len(left), age), looked_at > TIRED_FROM * lives[left])
        changed, washed = action == CHANGE, action == WASH
        changes, washes = changes + int(changed.sum()), washes + int(washed.sum())
        cost += float(changed.sum()) * prices.change + float(washed.sum()) * prices.wash
        days += float(changed.sum()) * age
        alive &= ~changed
    return Bill(cost, days / YEAR_DAYS, changes, failures, washes)


def at_twelve_months(wicks: NDArray[np.intp], ages: Floats, slow: Flags) -> NDArray[np.int8]:
    return np.where(ages >= OLD_DAYS, CHANGE, NO).astype(np.int8)


def run_to_failure(wicks: NDArray[np.intp], ages: Floats, slow: Flags) -> NDArray[np.int8]:
    return np.full(len(ages), NO, dtype=np.int8)
