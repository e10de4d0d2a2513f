"""How well the service is kept, with intervals.

Sources: Newcombe 1998, Wilson intervals of four proportions, and the usual table of exact Poisson limits (both from memory,
recomputed; check before printing); Singh 2010's counts as an R package carries them (inputs published, read; outputs our
own); scipy's binomial test and lifelines as second ways.
"""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from servicing.rules.nonsense import Nonsense
from servicing.rules.punctuality import LateSpell
from servicing.rules.service_level import ageing, crew_output, on_time, poisson_interval, wilson


def test_wilson_intervals_are_newcombes():
    # Newcombe 1998, table I: from memory, recomputed; check before printing.
    low, high = wilson([81, 15, 0, 1], [263, 148, 20, 29])

    assert low == pytest.approx([0.2553, 0.0624, 0, 0.0061], abs=5e-5)
    assert high == pytest.approx([0.3662, 0.1605, 0.1611, 0.1718], abs=5e-5)


def test_wilson_intervals_of_five_rising_rates():
    # Singh 2010: inputs published, read; the limits our own.
    low, high = wilson([250, 204, 103, 33, 13], [533, 412, 167, 45, 16])

    assert low == pytest.approx([0.4270, 0.4471, 0.5412, 0.5896, 0.5699], abs=5e-5)
    assert high == pytest.approx([0.5115, 0.5432, 0.6871, 0.8404, 0.9341], abs=5e-5)


@given(st.integers(1, 400), st.data(), st.sampled_from([0.8, 0.95, 0.99]))
def test_wilson_is_scipys(n, data, confidence):
    met = data.draw(st.integers(0, n))
    other = stats.binomtest(met, n).proportion_ci(confidence, method="wilson")

    assert wilson(met, n, confidence) == pytest.approx((other.low, other.high), abs=1e-12)


def test_no_case_says_nothing():
    assert wilson(0, 0) == (0, 1)
    assert on_time([], []).n == 0
    assert (on_time([], []).rate, on_time([], []).low, on_time([], []).high) == (None, 0, 1)


def test_exact_poisson_limits_are_the_tables():
    # Garwood's limits: from memory, recomputed; check before printing.
    low, high = poisson_interval([0, 1, 5, 10])

    assert low == pytest.approx([0, 0.0253, 1.623, 4.795], abs=6e-4)
    assert high == pytest.approx([3.689, 5.572, 11.668, 18.390], abs=6e-4)


@given(st.integers(1, 500), st.floats(0.1, 1000))
def test_exact_poisson_limits_leave_their_tails(count, hours):
    # The definition, by scipy's Poisson: as many or more at the low rate, as few or fewer at the high, each 2.5 %.
    low, high = poisson_interval(count, hours)

    assert stats.poisson.sf(count - 1, low * hours) == pytest.approx(0.025, abs=1e-9)
    assert stats.poisson.cdf(count, high * hours) == pytest.approx(0.025, abs=1e-9)


def test_due_days_of_their_own_crew_day_count_in_full():
    in_time = [True] * 18 + [False] * 6

    found = on_time(in_time, range(24))

    assert (found.n, found.rate, found.design_effect) == (24, 0.75, pytest.approx(1.0))
    assert (found.low, found.high) == pytest.approx(tuple(map(float, wilson(18, 24))), abs=1e-12)


def test_crew_days_that_fail_as_a_whole_widen_the_interval():
    # Ten crew-days of ten, two of them lost whole: the due days say as little as ten days do.
    in_time = np.repeat([True] * 8 + [False] * 2, 10)
    crew_day = np.repeat(np.arange(10), 10)

    together = on_time(in_time, crew_day)
    apart = on_time(in_time, np.arange(100))

    assert together.rate == apart.rate == 0.8
    assert together.design_effect == pytest.approx(10 * 10 / 9 * 99 / 100)
    assert together.low < apart.low
    assert together.high > apart.high


def test_under_twenty_due_days_only_the_interval_is_shown():
    assert on_time([True] * 19, range(19)).rate is None
    assert on_time([True] * 20, range(20)).rate == 1
    assert on_time([True] * 19, range(19)).low == pytest.approx(float(wilson(19, 19)[0]))


def test_open_spells_are_counted_in_buckets_by_days_past_grace():
    spells = [LateSpell(days, is_over=False) for days in (1, 3, 4, 7, 8, 14, 15, 30, 31, 200)]

    assert ageing([*spells, LateSpell(5, is_over=True)]).still_open == (2, 2, 2, 2, 2)


def test_the_ageing_curve_is_lifelines_and_not_the_mean_of_those_over():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import KaplanMeierFitter
    days = [2, 3, 3, 5, 8, 9, 21, 21, 40, 60]
    over = [True, True, True, True, True, False, True, False, False, False]
    other = KaplanMeierFitter().fit(days, over)

    found = ageing([LateSpell(n, is_over=done) for n, done in zip(days, over, strict=True)])

    assert found.open_share == pytest.approx(other.predict(found.days).to_numpy(), abs=1e-12)
    assert found.days.tolist() == [0, 2, 3, 5, 8, 21]
    assert (found.low <= found.open_share).all()
    assert (found.high >= found.open_share).all()


def test_without_a_late_spell_there_is_no_curve():
    found = ageing([])

    assert found.still_open == (0, 0, 0, 0, 0)
    assert (found.days, found.open_share, found.low, found.high) == (None, None, None, None)


def test_a_crew_with_few_hours_is_reckoned_near_the_others():
    # Gamma prior of shape 40 and 20 hours: two visits an hour; the posterior by hand.
    found = crew_output([0, 300], [2, 100], (40, 20))

    assert found.per_hour == pytest.approx([0, 3])
    assert found.shrunk == pytest.approx([40 / 22, 340 / 120])
    assert found.low[0] == 0
    assert found.high[0] == pytest.approx(3.689 / 2, abs=1e-3)


@pytest.mark.parametrize(
    "refused",
    [
        pytest.param(lambda: wilson(5, 4), id="more met than due"),
        pytest.param(lambda: wilson(-1, 4), id="fewer than none"),
        pytest.param(lambda: wilson(math.nan, 4), id="no count"),
        pytest.param(lambda: wilson(1, 4, confidence=1.0), id="certainty"),
        pytest.param(lambda: poisson_interval(-1), id="negative count"),
        pytest.param(lambda: poisson_interval(4, 0), id="no time"),
        pytest.param(lambda: poisson_interval(4, math.nan), id="no exposure"),
        pytest.param(lambda: crew_output([1], [2], (0, 1)), id="no prior"),
        pytest.param(lambda: on_time([True], [1, 2]), id="a crew-day too many"),
        pytest.param(lambda: on_time([0.5], [1]), id="half in time"),
    ],
)
def test_nonsense_is_refused_in_a_sentence(refused):
    with pytest.raises(Nonsense, match=r"\.$"):
        refused()


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 9)), min_size=1, max_size=120))
def test_a_rate_always_lies_in_its_interval(rows):
    found = on_time([good for good, _ in rows], [crew_day for _, crew_day in rows])

    assert 0 <= found.low <= sum(good for good, _ in rows) / len(rows) <= found.high <= 1
    assert found.design_effect >= 1
