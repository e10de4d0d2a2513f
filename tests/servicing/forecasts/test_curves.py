"""The curve of a fleet's wicks: against the Weibull formula (any textbook on life data), and Turnbull's published example.

Turnbull 1974's data and survival are those of the R package survival's tests (tests/turnbull.Rout.save; published).
"""

import math

import numpy as np
import pytest

from servicing.rules.lifetimes.cells import as_cells, collapse
from servicing.rules.lifetimes.curves import check_steps, fleet_chance, fleet_curve, level_shifts
from servicing.rules.lifetimes.wick_life import PRIOR_WICK, WickFit, conditional_failure
from servicing.rules.nonsense import Nonsense

SCHOOL, OFFICE = ("school", "hard", "acid"), ("office", "hard", "acid")
FIT = WickFit(
    coefficients=(math.log(500.0), 0.2, -0.1),
    log_shape=math.log(3.0),
    covariance=(
        (0.0004, 0.0, 0.0, 0.0),
        (0.0, 0.0009, 0.0, 0.0),
        (0.0, 0.0, 0.0009, 0.0),
        (0.0, 0.0, 0.0, 0.0025),
    ),
    levels=("site:office", "site:school"),
    based_on_wicks=100,
    based_on_failures=60,
)


def test_the_curve_of_one_label_is_its_weibull_survival():
    ages = np.array([0.0, 100.0, 500.0, 900.0])
    curve = fleet_curve(PRIOR_WICK, [OFFICE], [3], ages)
    assert curve.share == pytest.approx(np.exp(-((ages / 600.0) ** 2)), abs=1e-12)
    assert (curve.low <= curve.share).all()
    assert (curve.share <= curve.high).all()
    assert curve.low[0] == curve.high[0] == 1.0


def test_a_mixture_is_the_mean_of_its_labels_by_their_numbers():
    ages = np.array([200.0, 400.0])
    both = fleet_curve(FIT, [SCHOOL, OFFICE], [1, 3], ages)
    alone = [fleet_curve(FIT, [label], [1], ages).share for label in (SCHOOL, OFFICE)]
    assert both.share == pytest.approx(alone[0] / 4 + alone[1] * 3 / 4, abs=1e-12)


def test_the_interval_is_the_delta_methods_on_log_hazard():
    scale = 500.0 * math.exp(0.2)
    curve = fleet_curve(FIT, [OFFICE], [1], [scale])
    # At the scale log hazard is 0, so only the scale's error counts; two levels nobody saw add the prior's spread.
    sd = 3.0 * math.sqrt(0.0004 + 0.0009 + 2 * 0.3**2)
    assert curve.low[0] == pytest.approx(math.exp(-math.exp(1.959964 * sd)), rel=1e-6)
    assert curve.high[0] == pytest.approx(math.exp(-math.exp(-1.959964 * sd)), rel=1e-6)


def test_the_chance_of_one_label_is_its_conditional_failure():
    expected = conditional_failure(FIT, FIT.places([SCHOOL]), [400.0], [30.0])
    assert fleet_chance(FIT, [SCHOOL], [7], 400.0, 30.0) == pytest.approx([float(one[0]) for one in expected])


def test_a_level_says_how_much_longer_its_wicks_last():
    office, school = level_shifts(FIT)
    assert (office.level, school.level) == ("site:office", "site:school")
    assert office.factor == pytest.approx(math.exp(0.2))
    assert office.low == pytest.approx(math.exp(0.2 - 1.959964 * 0.03), rel=1e-6)
    assert school.high == pytest.approx(math.exp(-0.1 + 1.959964 * 0.03), rel=1e-6)


def test_the_stairs_are_turnbulls_published_ones():
    times = (1.0, 2.0, 3.0, 4.0)
    exact, right, left = (12, 6, 2, 3), (3, 2, 0, 3), (2, 4, 2, 5)
    rows = [(t, t, n) for t, n in zip(times, exact, strict=True)]
    rows += [(t, math.inf, n) for t, n in zip(times, right, strict=True) if n]
    rows += [(0.0, t, n) for t, n in zip(times, left, strict=True)]
    low, high, count = (np.array(column, float) for column in zip(*rows, strict=True))
    steps = check_steps(as_cells(low, high, count=count))
    assert [age for age, _ in steps] == [1.0, 2.0, 3.0, 4.0]
    assert [share for _, share in steps] == pytest.approx([0.538, 0.295, 0.210, 0.095], abs=5e-4)


def test_no_failure_has_no_stairs_and_many_are_thinned_to_the_last():
    assert check_steps(collapse([30.0], [math.inf])) == []
    days = np.arange(1.0, 401.0)
    steps = check_steps(as_cells(days, days))
    assert len(steps) <= 120
    assert steps[-1] == (400.0, 0.0)


@pytest.mark.parametrize(
    ("counts", "ages"), [([], [1.0]), ([0], [1.0]), ([-1], [1.0]), ([1], [-1.0]), ([1], [math.nan])]
)
def test_what_no_fleet_can_be_is_refused(counts, ages):
    with pytest.raises(Nonsense):
        fleet_curve(FIT, [OFFICE][: len(counts)], counts, ages)
