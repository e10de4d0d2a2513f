"""The chart's false alarms in a simulated fleet of sound units, readings, fit, shrinkage and all.

The outside check is the budget itself: nothing of the chart's arithmetic enters the simulation.
"""

import math

import numpy as np
import pytest

from demo_tenant.scoring.false_alarms import realised_false_alarms, sound_fleet
from servicing.queries.drift_rehearsal import findings_opened
from servicing.rules.nonsense import Nonsense


def test_sound_units_have_as_many_findings_as_the_budget_allows():
    realised = realised_false_alarms(seed=4, visits=200_000)
    assert realised["visits"] == 200_000
    for budget in realised["budgets"]:
        expected = budget["per_1000_visits"] * 200
        assert budget["expected"] == pytest.approx(expected)
        # A tenth off is allowed; the count itself scatters like a Poisson count, here three standard deviations.
        assert abs(budget["found"] - expected) <= 0.1 * expected + 3 * math.sqrt(expected)


def test_a_fleet_that_never_slides_out_of_its_first_eighteen_visits_is_refused():
    with pytest.raises(Nonsense):
        findings_opened(sound_fleet(np.random.default_rng(1), 18), [2.0])
