"""What vans and the depot should carry.

Sources: Snyder & Shen, Fundamentals of Supply Chain Theory, examples as the documentation of stockpyl prints them
(published, recomputed); the standard loss table (from memory, recomputed; check before printing); scipy's
distributions; full search and plain sums, our own.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from servicing.rules.nonsense import Nonsense
from servicing.rules.stock import (
    best_reorder,
    economic_order_quantity,
    failing_chances,
    fill_rate_normal,
    lead_time_need,
    negative_binomial_loss,
    negative_binomial_of,
    newsvendor_normal,
    newsvendor_poisson,
    poisson_chances,
    poisson_loss,
    reorder_cost,
    smallest_covering,
    standard_loss,
)


def test_a_normal_need_is_stocked_as_the_textbook_does():
    # Snyder & Shen, example 4.3: published, recomputed.
    level, cost = newsvendor_normal(0.18, 0.70, 50, 8)

    assert level == pytest.approx(56.60395592743389, abs=1e-8)
    assert cost == pytest.approx(1.9976051931766445, abs=1e-8)


def test_a_poisson_need_is_stocked_as_the_textbook_does():
    # As stockpyl's documentation prints it: published, recomputed.
    level, cost = newsvendor_poisson(1, 4, 6)

    assert level == 8
    assert cost == pytest.approx(3.5701069457709416, abs=1e-8)


def test_the_best_reorder_policy_is_the_published_one():
    # As stockpyl's documentation prints it: published, recomputed.
    found = best_reorder(1, 4, 5, poisson_chances(6))

    assert (found.reorder_at, found.order_up_to) == (4, 10)
    assert found.cost == pytest.approx(8.034111561471642, abs=1e-9)


@pytest.mark.parametrize(
    ("holding", "shortage", "per_order", "mean"), [(1, 4, 5, 6), (1, 9, 64, 3), (2, 3, 0, 2), (1, 1, 20, 0.7)]
)
def test_no_other_reorder_policy_is_cheaper(holding, shortage, per_order, mean):
    # Full search over the levels from -8 to 32; our own.
    chances = poisson_chances(mean)
    found = best_reorder(holding, shortage, per_order, chances)
    costs = [
        reorder_cost(low, up, chances, holding=holding, shortage=shortage, per_order=per_order)
        for low in range(-8, 12)
        for up in range(low + 1, 33)
    ]

    assert found.cost == pytest.approx(min(costs), rel=1e-12)


def test_the_cost_of_a_reorder_policy_is_what_a_long_run_of_periods_pays():
    # The stationary distribution of the stock after ordering, solved as a linear system; our own.
    low, up, chances = 4, 10, poisson_chances(6)
    levels = np.arange(low + 1, up + 1)
    need = levels[:, None] - levels[None, :]
    moves = np.where(need >= 0, chances[np.maximum(need, 0)], 0.0)
    orders = 1 - moves.sum(axis=1)
    moves[:, -1] += orders
    system = np.vstack([moves.T - np.eye(levels.size), np.ones(levels.size)])
    share = np.linalg.lstsq(system, np.append(np.zeros(levels.size), 1.0), rcond=None)[0]
    after = levels[:, None] - np.arange(chances.size)[None, :]
    paid = 5 * share @ orders + share @ (np.where(after > 0, after, -4 * after) @ chances)

    assert reorder_cost(low, up, chances, holding=1, shortage=4, per_order=5) == pytest.approx(paid, rel=1e-9)


def test_the_economic_order_quantity_is_the_textbooks():
    # Snyder & Shen, example 3.1: published, recomputed.
    quantity, cost = economic_order_quantity(8, 0.225, 1300)

    assert quantity == pytest.approx(304.0467800264368, abs=1e-9)
    assert cost == pytest.approx(68.41052550594829, abs=1e-9)


def test_losses_are_those_of_the_documentation():
    # stockpyl's documentation: published, recomputed.
    assert poisson_loss(18, 15) == pytest.approx((0.5176095, 3.5176095), abs=5e-8)
    assert negative_binomial_loss(14, 4, 0.2) == pytest.approx((4.4473046, 2.4473046), abs=5e-8)
    assert standard_loss(1.3) == pytest.approx(0.04552796, abs=5e-9)


def test_the_standard_loss_is_the_tables():
    # The table in stock textbooks: from memory, recomputed; check before printing.
    found = standard_loss([0, 0.5, 1, 1.5, 2, 2.5, 3])

    assert found == pytest.approx([0.3989, 0.1978, 0.08332, 0.02931, 0.008491, 0.002004, 0.000382], rel=6e-4)


def test_a_fill_rate_is_higher_than_the_chance_of_covering_everything():
    # E[min(D, y)] / E[D] by scipy's truncated expectation.
    level, mean, sd = 55, 50, 8
    filled = stats.norm(mean, sd).expect(lambda need: np.minimum(need, level), lb=-50, ub=150) / mean

    assert fill_rate_normal(level, mean, sd) == pytest.approx(filled, abs=1e-6)
    assert fill_rate_normal(level, mean, sd) > stats.norm(mean, sd).cdf(level)


def test_a_negative_binomial_is_found_from_its_moments():
    r, p = negative_binomial_of(16, 80)

    assert stats.nbinom(r, p).stats() == pytest.approx((16, 80))
    assert (r, p) == pytest.approx((4, 0.2))


def test_what_is_needed_until_an_order_arrives_varies_with_the_delay_too():
    # Mean d L, variance L v + d^2 var(L); a simulation of 20,000 lead times agrees within four standard errors.
    stream = np.random.default_rng(4)
    delays = stream.choice([1, 2, 3], 20_000)
    needs = stream.poisson(6.0 * delays)

    mean, variance = lead_time_need(6, 6, 2, 2 / 3)

    assert (mean, variance) == pytest.approx((12, 36))
    assert needs.mean() == pytest.approx(mean, abs=4 * np.sqrt(variance / 20_000))
    assert needs.var() == pytest.approx(variance, rel=0.05)


def test_the_wicks_of_a_round_are_counted_exactly():
    # Equal chances: scipy's binomial; unequal ones: all eight outcomes of three units, added up by hand.
    assert failing_chances([0.07] * 60) == pytest.approx(stats.binom(60, 0.07).pmf(np.arange(61)), abs=1e-14)
    assert failing_chances([0.1, 0.5, 0.2]) == pytest.approx([0.36, 0.49, 0.14, 0.01])
    assert failing_chances([]) == pytest.approx([1])


def test_a_poisson_of_the_same_mean_would_load_at_least_as_many_wicks():
    # The exact need of a round spreads less than a Poisson need of the same mean.
    chances = np.linspace(0.02, 0.6, 40)

    exact = smallest_covering(failing_chances(chances), 0.98)
    approximate = smallest_covering(poisson_chances(chances.sum()), 0.98)

    assert exact == 18
    assert approximate == 20


def test_no_need_needs_no_stock():
    assert newsvendor_poisson(1, 4, 0) == (0, 0)
    assert smallest_covering(failing_chances([0, 0, 0]), 0.99) == 0


@given(st.integers(0, 200), st.floats(0.01, 150))
def test_pieces_short_and_over_differ_by_stock_and_mean(level, mean):
    # scipy's Poisson as the second way.
    short, over = poisson_loss(level, mean)
    pieces = np.arange(600)
    by_scipy = np.maximum(pieces - level, 0) @ stats.poisson(mean).pmf(pieces)

    assert short - over == pytest.approx(mean - level, abs=1e-8)
    assert short == pytest.approx(by_scipy, abs=1e-8)


@given(st.lists(st.floats(0, 1), max_size=40))
def test_the_chances_of_a_round_add_up_to_one_with_the_units_mean(each):
    chances = failing_chances(each)

    assert chances.sum() == pytest.approx(1, abs=1e-9)
    assert np.arange(chances.size) @ chances == pytest.approx(sum(each), abs=1e-8)
    assert (chances >= 0).all()


@pytest.mark.parametrize(
    "refused",
    [
        pytest.param(lambda: newsvendor_normal(0, 1, 50, 8), id="free holding"),
        pytest.param(lambda: newsvendor_normal(1, float("nan"), 50, 8), id="no cost"),
        pytest.param(lambda: newsvendor_normal(1, 1, 50, 0), id="no spread"),
        pytest.param(lambda: newsvendor_poisson(1, 4, -2), id="negative need"),
        pytest.param(lambda: economic_order_quantity(8, 0, 1300), id="holding costs nothing"),
        pytest.param(lambda: negative_binomial_of(5, 4), id="spread below Poisson"),
        pytest.param(lambda: negative_binomial_loss(3, 0, 0.5), id="no such need"),
        pytest.param(lambda: poisson_loss(-1, 5), id="negative stock"),
        pytest.param(lambda: failing_chances([0.5, 1.2]), id="a chance above 1"),
        pytest.param(lambda: failing_chances([float("nan")]), id="no chance"),
        pytest.param(lambda: smallest_covering(poisson_chances(3), 1.0), id="nothing covers all"),
        pytest.param(lambda: standard_loss(float("inf")), id="no number"),
        pytest.param(lambda: fill_rate_normal(5, 0, 1), id="no mean need"),
        pytest.param(lambda: lead_time_need(1, 1, -1, 0), id="an order that came before"),
        pytest.param(lambda: best_reorder(1, 4, -5, poisson_chances(6)), id="an order that pays"),
        pytest.param(lambda: best_reorder(1, 4, 5, np.ones(1)), id="never any need"),
        pytest.param(lambda: best_reorder(1, 4, 5, np.array([0.5, 0.4])), id="chances below 1 in all"),
        pytest.param(
            lambda: reorder_cost(5, 5, poisson_chances(6), holding=1, shortage=4, per_order=5),
            id="levels reversed",
        ),
    ],
)
def test_nonsense_is_refused_in_a_sentence(refused):
    with pytest.raises(Nonsense, match=r"\.$"):
        refused()
