"""When a wick is changed, washed or left in.

Sources: the age-replacement example of two public reliability manuals (one prints 493.19 and 0.0035 from a grid: published,
read; the exact 493.047 and 0.003462 recomputed); an example with a normal life in the shape of Jardine & Tsang (from
memory, the table not verified); the cost of policies with failures seen only at visits is our own derivation, checked
by adding up the formula with scipy's quadrature and by simulating wicks.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from servicing.rules.nonsense import Nonsense
from servicing.rules.replacement import (
    CHANGE,
    WAIT,
    WASH,
    WickCosts,
    age_cost_rate,
    best_change_age,
    change_policy,
    wick_decision,
)

COSTS = WickCosts(change=8, failure=30, down_day=0.5, wash=3)
DEAR_FAILURE = WickCosts(change=1, failure=5, down_day=0, wash=0)


def decided(age, *, eta=600, beta=2.0, ratio=1.0, days=30, costs=COSTS, success=0.0, usual=None):
    return wick_decision(
        eta, beta, ratio, age, next_days=days, costs=costs, wash_success=success, usual_days=usual
    )


def costs_a_day(visits, *, eta, beta, days, costs):
    """g(1..visits) written out, with the days down in each interval by quadrature."""

    def lasts(t):
        return np.exp(-((t / eta) ** beta))

    ends = np.arange(visits + 1) * days
    down = [
        quad(lambda t, start=start: lasts(start) - lasts(t), start, start + days)[0] for start in ends[:-1]
    ]
    spent = costs.change * lasts(ends[1:]) + costs.failure * (1 - lasts(ends[1:]))
    return (spent + costs.down_day * np.cumsum(down)) / (days * np.cumsum(lasts(ends[:-1])))


# --- failures seen at once


def test_the_best_age_of_the_manuals_example():
    # 493.047 and 0.00346204 recomputed; the printed 493.19 is a grid's.
    age, rate = best_change_age(1000, 2.5, 1, 5)

    assert age == pytest.approx(493.047, abs=0.005)
    assert age == pytest.approx(493.19, abs=0.2)
    assert rate == pytest.approx(0.003462, abs=1e-6)
    assert age_cost_rate(stats.weibull_min(2.5, scale=1000).sf, age, 1, 5) == pytest.approx(rate, rel=1e-9)


def test_the_best_age_of_a_normal_life_in_weeks_is_the_fourth():
    # Our own figures for the problem's shape: 17.1, 14.8, 16.3.
    rates = [age_cost_rate(stats.norm(5, 1).sf, weeks, 50, 100) for weeks in (3, 4, 5)]

    assert rates == pytest.approx([17.1, 14.8, 16.3], abs=0.05)


@pytest.mark.parametrize(("beta", "failure"), [(1.0, 5), (0.7, 5), (2.5, 1), (2.5, 0.5)])
def test_a_wick_that_does_not_age_or_fails_cheaply_runs_to_failure(beta, failure):
    age, rate = best_change_age(1000, beta, 1, failure)

    assert age == math.inf
    assert rate == pytest.approx(failure / stats.weibull_min(beta, scale=1000).mean(), rel=1e-9)


# --- failures seen at visits


def test_the_more_visits_the_nearer_the_best_age_to_that_of_failures_seen_at_once():
    # Our own limit check: visits every half day give 493.0.
    policy = change_policy(1000, 2.5, [8, 2, 0.5], DEAR_FAILURE)

    assert policy.change_age_days == pytest.approx([493.047] * 3, abs=8)
    assert policy.change_age_days[-1] == 493.0
    assert policy.cost_per_day[-1] == pytest.approx(0.00346204, rel=2e-4)


def test_monthly_visits_and_days_down_move_the_best_age():
    # 510 days without and 480 days with a cost of 0.01 a day down: our own.
    without = change_policy(1000, 2.5, 30, DEAR_FAILURE)
    with_days = change_policy(1000, 2.5, 30, WickCosts(change=1, failure=5, down_day=0.01, wash=0))

    assert (without.change_age_days[0], with_days.change_age_days[0]) == (510, 480)


@pytest.mark.parametrize(
    ("eta", "beta", "days"), [(600, 2.0, 30), (580, 3.2, 30), (465, 3.2, 61), (900, 1.3, 28)]
)
def test_no_other_visit_is_a_cheaper_one_to_change_at(eta, beta, days):
    # The written-out formula over every N up to 60, by quadrature.
    rates = costs_a_day(60, eta=eta, beta=beta, days=days, costs=COSTS)

    policy = change_policy(eta, beta, days, COSTS)

    assert policy.change_age_days[0] == (1 + int(np.argmin(rates))) * days
    assert policy.cost_per_day[0] == pytest.approx(min(rates), rel=1e-7)


def test_simulated_wicks_cost_what_the_policy_says():
    # 200,000 wicks by inversion, our own; within four standard errors.
    stream = np.random.default_rng(11)
    policy = change_policy(600, 2.0, 30, COSTS)
    lives = 600 * (-np.log1p(-stream.random(200_000))) ** 0.5
    seen = np.ceil(lives / 30) * 30
    failed = seen <= policy.change_age_days
    cost = np.where(failed, 30 + 0.5 * (seen - lives), 8)
    days = np.where(failed, seen, policy.change_age_days)
    error = np.std(cost - policy.cost_per_day * days) / days.mean() / np.sqrt(lives.size)

    assert cost.mean() / days.mean() == pytest.approx(policy.cost_per_day[0], abs=4 * error)


@pytest.mark.parametrize(
    ("eta", "beta", "days", "within"),
    [
        (600, 1.0, 30, 1e-8),
        (9000, 1.0, 30, 1e-8),
        (300, 1.02, 5, 1e-6),
        (600, 0.7, 30, 1e-4),
        (100, 0.5, 200, 1e-3),
    ],
)
def test_a_wick_run_to_failure_costs_a_failure_and_its_days_unseen(eta, beta, days, within):
    # Every wick fails: [failure + down_day (d sum S - mean life)] / [d sum S], summed over 50,000 visits.
    costs = WickCosts(change=8, failure=9, down_day=0.5, wash=3)
    visited = days * np.exp(-((np.arange(50_000) * days / eta) ** beta)).sum()
    lived = stats.weibull_min(beta, scale=eta).mean()

    policy = change_policy(eta, beta, days, costs)

    assert policy.change_age_days[0] == math.inf
    assert policy.cost_per_day[0] == pytest.approx((9 + 0.5 * (visited - lived)) / visited, rel=within)


@pytest.mark.parametrize(("beta", "failure"), [(1.0, 30), (0.8, 30), (2.0, 7)])
def test_without_ageing_or_with_cheap_failures_the_advice_is_to_wait_for_ever(beta, failure):
    costs = WickCosts(change=8, failure=failure, down_day=0.5, wash=3)

    found = decided([0, 300, 3000], beta=beta, costs=costs)

    assert found.action.tolist() == [WAIT] * 3
    assert found.watch_age_days.tolist() == [math.inf] * 3
    assert (found.saving <= 0).all()


# --- the decision at a visit


def test_the_chance_of_failing_is_that_of_a_wick_that_has_lasted_so_far():
    # scipy's Weibull: 1 - S(a + d) / S(a); three times the hazard is the third power.
    life = stats.weibull_min(2.0, scale=600)
    lasts = life.sf([30, 330, 730]) / life.sf([0, 300, 700])

    found = decided([0, 300, 700])
    slow = decided([0, 300, 700], ratio=3.0)

    assert found.p_fail == pytest.approx(1 - lasts, rel=1e-12)
    assert slow.p_fail == pytest.approx(1 - lasts**3, rel=1e-12)


def test_at_regular_visits_the_decision_is_the_best_policy():
    policy = change_policy(600, 2.0, 30, COSTS)
    ages = np.arange(0, 1200, 30)

    found = decided(ages)

    assert (found.action == np.where(ages >= policy.change_age_days, CHANGE, WAIT)).all()


def test_the_saving_is_what_waiting_costs_less_what_the_time_is_worth():
    # The terms one by one, the days down by quadrature.
    life = stats.weibull_min(2.0, scale=600)
    rate = change_policy(600, 2.0, 30, COSTS).cost_per_day[0]
    chance = 1 - life.sf(530) / life.sf(500)
    down = quad(lambda t: 1 - life.sf(500 + t) / life.sf(500), 0, 30)[0]

    found = decided(500)

    assert found.action[0] == CHANGE
    assert found.saving[0] == pytest.approx(chance * 22 + 0.5 * down - rate * 30, abs=1e-7)


def test_a_new_wick_is_left_in_and_changing_it_would_cost():
    found = decided(0)

    assert found.action[0] == WAIT
    assert found.saving[0] < 0


def test_the_watch_begins_on_the_first_day_on_which_changing_is_the_advice():
    watch = decided(0).watch_age_days[0]

    found = decided([watch - 1, watch])

    assert found.action.tolist() == [WAIT, CHANGE]
    assert found.watch_age_days.tolist() == [watch, watch]


def test_a_longer_gap_until_the_next_visit_asks_for_an_earlier_change():
    found = decided(270, days=[30, 90], usual=30)

    assert found.action.tolist() == [WAIT, CHANGE]
    assert found.watch_age_days.tolist() == [309, 270]


def test_a_slow_wick_is_watched_sooner():
    found = decided(0, ratio=[1, 3])

    assert found.watch_age_days[1] < found.watch_age_days[0]


def test_a_young_slow_wick_is_washed_and_an_old_one_changed():
    found = decided([30, 60, 500], ratio=3.0, success=0.8)

    assert found.action.tolist() == [WASH, WASH, CHANGE]
    assert (found.saving > 0).all()
    assert found.watch_age_days[0] <= 30


def test_what_washing_saves_is_the_difference_of_the_two_wicks_best_further_cost():
    # All later visits written out, the days down by quadrature; our own.
    rate = change_policy(600, 2.0, 30, COSTS).cost_per_day[0]

    def further(ratio):
        def lasts(t):
            return np.exp(-ratio * (((60 + t) / 600) ** 2 - 0.01))

        costs = [
            22 * (lasts(start) - lasts(start + 30))
            + 0.5 * quad(lambda t, start=start: lasts(start) - lasts(t), start, start + 30)[0]
            - rate * 30 * lasts(start)
            for start in range(0, 1500, 30)
        ]
        return np.cumsum(costs).min()

    found = decided(60, ratio=3.0, success=0.8)

    assert found.action[0] == WASH
    assert found.saving[0] == pytest.approx(0.8 * (further(3.0) - further(1.0)) - 3, abs=1e-6)


def test_a_wash_that_never_works_or_costs_a_new_wick_is_not_advised():
    hopeless = decided([60, 500], ratio=3.0, success=0.0)
    dear = decided(
        [60, 500], ratio=3.0, success=0.8, costs=WickCosts(change=8, failure=30, down_day=0.5, wash=50)
    )
    good = decided([60, 500], ratio=1.0, success=0.8)

    assert WASH not in {*hopeless.action.tolist(), *dear.action.tolist(), *good.action.tolist()}


def test_a_units_decision_does_not_depend_on_the_fleet_it_is_reckoned_in():
    stream = np.random.default_rng(3)
    ages, ratios = stream.uniform(0, 900, 300), stream.choice([0.6, 1.0, 2.7], 300)
    days = stream.integers(20, 45, 300).astype(float)
    fleet = decided(ages, eta=stream.choice([410.5, 733.1], 300), ratio=ratios, days=days, success=0.6)
    stream = np.random.default_rng(3)
    stream.uniform(0, 900, 300), stream.choice([0.6, 1.0, 2.7], 300), stream.integers(20, 45, 300)
    eta = stream.choice([410.5, 733.1], 300)

    alone = [
        decided(ages[n], eta=eta[n], ratio=ratios[n], days=days[n], success=0.6) for n in range(0, 300, 17)
    ]

    assert [one.action[0] for one in alone] == fleet.action[::17].tolist()
    # A processor may reckon one number and a row of them by other instructions: the last digits may differ.
    assert [one.saving[0] for one in alone] == pytest.approx(fleet.saving[::17].tolist(), rel=1e-9)
    assert [one.watch_age_days[0] for one in alone] == fleet.watch_age_days[::17].tolist()


def test_an_empty_fleet_gives_an_empty_answer():
    found = decided([], eta=[], ratio=[], days=[], success=[])

    assert found.action.size == found.p_fail.size == found.saving.size == found.watch_age_days.size == 0


@given(
    wick=st.fixed_dictionaries(
        {
            "age": st.floats(0, 20_000),
            "eta": st.floats(20, 20_000),
            "beta": st.floats(0.3, 20),
            "ratio": st.floats(0.01, 100),
            "days": st.floats(1, 400),
            "success": st.floats(0, 1),
        }
    ),
    down_day=st.sampled_from([0.0, 0.5]),
)
@settings(deadline=None)
def test_whatever_the_wick_every_answer_is_a_number(wick, down_day):
    found = decided(**wick, costs=WickCosts(change=8, failure=30, down_day=down_day, wash=3))

    assert 0 <= found.p_fail[0] <= 1
    assert math.isfinite(found.saving[0])
    assert found.watch_age_days[0] >= 0
    assert (found.action[0] != WAIT) == (found.saving[0] > 0)


@pytest.mark.parametrize(
    ("changed", "what"),
    [
        ({"eta": 0}, "scale"),
        ({"eta": math.nan}, "scale"),
        ({"beta": 0}, "shape"),
        ({"beta": math.inf}, "shape"),
        ({"ratio": -1}, "hazard"),
        ({"days": 0}, "next visit"),
        ({"usual": -30}, "between visits"),
        ({"success": 1.2}, "wash"),
        ({"eta": [600, 600, 600]}, "one number a unit"),
    ],
)
def test_nonsense_about_a_wick_is_refused_by_name(changed, what):
    with pytest.raises(Nonsense, match=what):
        decided([100, 200], **changed)


def test_negative_ages_costs_and_endless_policies_are_refused():
    with pytest.raises(Nonsense, match=r"row 1"):
        decided([100, -1])
    with pytest.raises(Nonsense, match="change"):
        WickCosts(change=-8, failure=30, down_day=0.5, wash=3)
    with pytest.raises(Nonsense, match="down_day"):
        WickCosts(change=8, failure=30, down_day=math.nan, wash=3)
    with pytest.raises(Nonsense, match="costs nothing"):
        best_change_age(1000, 2.5, 0, 5)
    with pytest.raises(Nonsense, match="0 days"):
        age_cost_rate(stats.norm(5, 1).sf, 0, 50, 100)
