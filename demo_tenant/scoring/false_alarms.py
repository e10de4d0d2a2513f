"""How often the drift chart finds something at units with which nothing is wrong, against the operator's budget."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from servicing.queries.drift_rehearsal import VisitedFleet, findings_opened

BUDGETS_PER_1000 = (1.0, 2.0, 5.0)
FLEET = 5_000
WARM_UP_VISITS = 18
MOST_VISITS_A_UNIT = 100
NOMINAL_ML_PER_DAY = 400 / 30
AVAILABLE_ML = 600.0
STEP_ML = 10.0
BETWEEN_SD, VISIT_SD = 0.15, 0.10
WICK_CHANGES_PER_VISIT = 1 / 18
FIRST_DAY = 20_000.0


def realised_false_alarms(seed: int, visits: int) -> dict[str, Any]:
    """Run at least ``visits`` visits of sound units and count what is found; the same seed gives the same count.

    Units differ in their doses and so do the months of one unit (log-normal, no season); levels are read to a
    graduation step, one in forty is found dry, wicks are changed now and then and every one is as good as the one before.
    Fleets of 5,000 units are judged one after the other, each with its own fit. For each budget, in false alarms per
    1,000 visits: what was ``expected``, what was ``found``, and ``ratio``, found over expected.
    """
    draws = np.random.default_rng(seed)
    fleets = math.ceil(visits / (FLEET * MOST_VISITS_A_UNIT))
    visits_a_unit = math.ceil(visits / (FLEET * fleets))
    judged = 0
    found = dict.fromkeys(BUDGETS_PER_1000, 0)
    for _ in range(fleets):
        for one in findings_opened(sound_fleet(draws, WARM_UP_VISITS + visits_a_unit), BUDGETS_PER_1000):
            found[one.false_alarms_per_1000] += one.findings
        judged += FLEET * visits_a_unit
    budgets = [
        {
            "per_1000_visits": budget,
            "expected": budget * judged / 1_000,
            "found": count,
            "ratio": count / (budget * judged / 1_000),
        }
        for budget, count in found.items()
    ]
    return {"seed": seed, "visits": judged, "budgets": budgets}


def sound_fleet(draws: np.random.Generator, visits: int) -> VisitedFleet:
    """One fleet with which nothing is wrong, visited about monthly."""
    shape = (FLEET, visits)
    own = draws.normal(0.0, BETWEEN_SD, (FLEET, 1))
    days = draws.integers(26, 36, shape).astype(np.float64)
    used = NOMINAL_ML_PER_DAY * days * np.exp(own + draws.normal(0.0, VISIT_SD, shape))
    was_empty = used >= AVAILABLE_ML
    # The eye errs by up to a step either way.
    read = np.where(was_empty, AVAILABLE_ML, used + draws.uniform(-STEP_ML, STEP_ML, shape))
    return VisitedFleet(
        ended_day=FIRST_DAY + np.cumsum(days, axis=1),
        days=days,
        available_ml=np.full(shape, AVAILABLE_ML),
        consumed_ml=read,
        was_empty=was_empty,
        wick_changed=draws.random(shape) < WICK_CHANGES_PER_VISIT,
        nominal_ml_per_day=np.full(FLEET, NOMINAL_ML_PER_DAY),
        step_ml=STEP_ML,
    )
