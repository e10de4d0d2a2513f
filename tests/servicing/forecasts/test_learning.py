"""What an operator's histories teach, and that a wrong date or lives all alike do not stop it. No outside source."""

from __future__ import annotations

import pytest

from servicing.rules.forecasting.fits import PRIORS
from servicing.rules.forecasting.learning import UnitLearnt, learn_doses, learn_wicks
from servicing.rules.lifetimes.cells import as_cells
from servicing.rules.lifetimes.wick_life import PRIOR_WICK, fit_wick_life

DAY = 86_400


def unit(number: int = 0, *, intervals=(), lives=(), since=None, good=None, failed=None) -> UnitLearnt:
    return UnitLearnt(
        f"unit-{number}",
        "office/C-280",
        "office",
        110,
        "acid",
        8.0,
        list(intervals),
        list(lives),
        since,
        good,
        failed,
    )


def failing(number: int, days: int) -> UnitLearnt:
    return unit(number, lives=[[0, (days - 30) * DAY, days * DAY, days * DAY]])


FLEET = [failing(number, 300 + 30 * (number % 9)) for number in range(40)]


def test_nothing_recorded_teaches_nothing():
    assert learn_doses([]).fit == PRIORS.dose.fit
    assert learn_wicks([], []).life.from_prior
    assert learn_doses([unit()]).stops_per_day == pytest.approx(PRIORS.dose.stops_per_day)


def test_failures_seen_make_a_curve_of_ones_own():
    life = learn_wicks(FLEET, []).life
    assert not life.from_prior
    assert (life.based_on_wicks, life.based_on_failures) == (40, 40)


def test_a_wick_with_a_wrong_date_behind_it_is_left_out():
    # Fitted in 1900 by a clock that was never set.
    old = unit(99, since=-2_208_988_800, good=1_790_000_000)
    assert learn_wicks([*FLEET, old], []).life == learn_wicks(FLEET, []).life


def test_a_balance_with_a_wrong_date_behind_it_does_not_count_for_a_century():
    month, century = (
        [30 * DAY, 30 * DAY, 295, 40, 15, 0, "o"],
        [40_000 * DAY, 40_000 * DAY, 295, 40, 15, 0, ""],
    )
    alone = learn_doses([unit(intervals=[month])]).stops_per_day
    beside = learn_doses([unit(intervals=[month, century])]).stops_per_day
    assert beside > 0.9 * alone


def test_lives_that_decide_no_curve_are_answered_by_the_prior_which_says_so():
    days = [36_000.0] * 20_000
    fit = fit_wick_life(as_cells(days, [36_000.5] * 20_000), [("office", "soft", "acid")])
    assert fit.from_prior
    assert fit.based_on_failures == 20_000
    assert fit.coefficients == PRIOR_WICK.coefficients
