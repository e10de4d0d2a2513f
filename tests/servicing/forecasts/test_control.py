"""Run lengths of control charts and the charts themselves.

Outside checks. The published values of D1 to D8 and D10 stand in the manual pages of the R package spc (Knoth), which
quote the papers named beside each test. D9 (Crowder, J. Quality Technology 21 (1989) 155-162, by way of the same
package) was read, not rerun by its source's code, as was D10. The thirty readings of D11 stand in a public manual of a
numerical library as an example of an EWMA chart (Montgomery, Introduction to Statistical Quality Control); the results
are from memory, recomputed by hand here.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servicing.rules.control import (
    cusum_arl,
    cusum_limit,
    cusum_statistics,
    ewma_arl,
    ewma_limits,
    ewma_statistics,
    ewma_width,
    poisson_cusum_arl,
    two_sided_cusum_arl,
)
from servicing.rules.nonsense import Nonsense

# D11: thirty readings of mean 10 and standard deviation 1, the last ten of mean 11.
MONTGOMERY = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
])  # fmt: skip


@pytest.mark.parametrize(
    ("mean", "published", "half_a_digit"),
    [
        (0, 168, 0.5), (0.25, 74.2, 0.05), (0.5, 26.6, 0.05), (0.75, 13.3, 0.05), (1, 8.38, 0.005), (1.5, 4.75, 0.005),
        (2, 3.34, 0.005), (2.5, 2.62, 0.005), (3, 2.19, 0.005), (4, 1.71, 0.005), (5, 1.31, 0.005),
    ],
)  # fmt: skip
def test_a_two_sided_cusum_runs_as_long_as_lucas_and_crosier_say(mean, published, half_a_digit):
    # D1: Technometrics 24 (1982) 199-205, table 1, k .5, h 4.
    assert two_sided_cusum_arl(0.5, 4, mean) == pytest.approx(published, abs=half_a_digit)


@pytest.mark.parametrize(
    ("mean", "published", "within"),
    [
        (0, 149, 0.5), (0.25, 62.7, 0.05), (0.5, 20.1, 0.05), (0.75, 8.97, 0.005), (1, 5.29, 0.005), (1.5, 2.86, 0.005),
        (2, 2.01, 0.005), (2.5, 1.59, 0.005), (3, 1.32, 0.01), (4, 1.07, 0.005), (5, 1.01, 0.005),
    ],
)  # fmt: skip
def test_a_head_start_shortens_the_run_as_lucas_and_crosier_say(mean, published, within):
    # D2: the same table with the head start h / 2; at mean 3 the exact value rounds to 1.33, not the printed 1.32.
    assert two_sided_cusum_arl(0.5, 4, mean, start=2) == pytest.approx(published, abs=within)


@pytest.mark.parametrize(
    ("mean", "published"),
    [
        (-0.25, 2071.51), (-0.125, 400.28), (0, 124.66), (0.125, 59.30), (0.25, 36.71), (0.5, 20.37), (0.75, 14.06),
        (1, 10.75),
    ],
)  # fmt: skip
def test_a_one_sided_cusum_runs_as_long_as_vance_says(mean, published):
    # D3: J. Quality Technology 18 (1986) 189-193, table 1, k 0, h 10: four digits of relative accuracy and the last printed.
    assert cusum_arl(0, 10, mean) == pytest.approx(published, rel=1e-4, abs=0.005)


@pytest.mark.parametrize(("start", "published"), [(0, 4.1500836225), (0.1, 4.1061588131)])
def test_a_cusum_runs_as_long_as_a_statistics_package_computes(start, published):
    # D4: the SAS/QC manual of 1999, k .25, h 8, mean 2.5.
    assert cusum_arl(0.25, 8, 2.5, start) == pytest.approx(published, abs=1e-6)


@pytest.mark.parametrize(("mean", "published"), [(0, 117.59), (1.5, 3.75)])
def test_a_cusum_runs_as_long_as_brook_and_evans_say(mean, published):
    # D5: Biometrika 59 (1972) 539-548, k .5, h 3, a Markov chain approximation.
    assert cusum_arl(0.5, 3, mean) == pytest.approx(published, abs=0.05)


@pytest.mark.parametrize(
    ("mean", "quick", "slow"),
    [
        (0, "500", "500"), (0.25, "255", "76.7"), (0.5, "88.8", "29.3"), (0.75, "35.9", "17.6"), (1, "17.5", "12.6"),
        (1.5, "6.53", "8.07"), (2, "3.63", "5.99"), (2.5, "2.50", "4.80"), (3, "1.93", "4.03"), (3.5, "1.58", "3.49"),
        (4, "1.34", "3.11"), (5, "1.07", "2.55"),
    ],
)  # fmt: skip
def test_an_ewma_runs_as_long_as_lucas_and_saccucci_say(mean, quick, slow):
    # D6 and D7: Technometrics 32 (1990) 1-12, table 3: weight .5, width 3.071 and weight .03, width 2.437.
    assert f"{ewma_arl(0.5, 3.071, mean):#.3g}".rstrip(".") == quick
    assert f"{ewma_arl(0.03, 2.437, mean):#.3g}".rstrip(".") == slow


def test_an_ewma_runs_as_long_as_a_statistics_package_computes():
    # D8: the SAS/QC manual of 1999, weight .25, width 3, mean 1.
    assert ewma_arl(0.25, 3, 1) == pytest.approx(11.154267016, abs=1e-8)


@pytest.mark.parametrize(
    ("weight", "published"), [(0.05, 2.32), (0.1, 2.55), (0.15, 2.65), (0.2, 2.72), (0.25, 2.76)]
)
def test_the_width_of_an_ewma_is_crowders(weight, published):
    # D9: the width that gives a run length of 250 when nothing is wrong. Read, not rerun.
    assert ewma_width(250, weight) == pytest.approx(published, abs=0.01)


@pytest.mark.parametrize(
    ("lower", "start", "published"), [(False, 0, 438), (False, 5, 333), (True, 0, 437), (True, 5, 318)]
)
def test_a_cusum_of_counts_runs_as_long_as_lucas_says(lower, start, published):
    # D10: Technometrics 27 (1985) 129-144, tables 2 to 5, first block, k .25, h 10, mean .25. Read, not rerun.
    assert poisson_cusum_arl(0.25, 0.25, 10, start, lower=lower) == pytest.approx(published, abs=1)


def test_the_cusum_of_the_textbook_readings_signals_at_the_29th():
    # D11: k .5, h 5 give C+ 5.28 at 29 and 5.30 at 30 (in units of sigma); it last stood at 0 at 22.
    low, high = cusum_statistics((MONTGOMERY - 10)[None], 0.5)
    assert high[0, [28, 29]] == pytest.approx([5.28, 5.30], abs=1e-9)
    assert np.flatnonzero(high[0] >= 5)[0] == 28
    assert np.flatnonzero(high[0] == 0)[-1] == 21
    assert low.max() < 5


def test_the_ewma_of_the_textbook_readings_signals_at_the_29th():
    # D11: weight .1, width 2.7, in units of the readings about 10.
    smoothed = 10 + ewma_statistics((MONTGOMERY - 10)[None], 0.1)[0]
    upper = 10 + ewma_limits(0.1, 2.7, 30)
    assert smoothed[[0, 1, 2, 29]] == pytest.approx([9.945, 9.7495, 9.70355, 10.6341], abs=5e-5)
    assert upper[[0, 29]] == pytest.approx([10.27, 10.62], abs=0.005)
    assert smoothed[[27, 28]] == pytest.approx([10.57314, 10.64682], abs=5e-6)
    assert upper[[27, 28]] == pytest.approx([10.61857, 10.61873], abs=5e-6)
    assert np.flatnonzero(np.abs(smoothed - 10) > upper - 10)[0] == 28


@pytest.mark.parametrize(
    ("arl", "h", "runs", "started_runs"),
    [
        (500, 4.389, (9.16, 3.60, 2.34), (5.71, 2.15, 1.40)),
        (1_000, 5.071, (10.5, 4.06, 2.60), (6.42, 2.39, 1.56)),
        (2_000, 5.757, (11.9, 4.51, 2.88), (7.13, 2.62, 1.72)),
        (5_000, 6.669, (13.7, 5.12, 3.25), (8.07, 2.93, 1.93)),
        (10_000, 7.361, (15.1, 5.58, 3.52), (8.77, 3.15, 2.07)),
    ],
)
def test_a_limit_from_a_wanted_run_length(arl, h, runs, started_runs):
    # Our own values, found once by an independent computation; no published table.
    limit = cusum_limit(arl, 0.5)
    assert limit == pytest.approx(h, abs=5e-4)
    assert [cusum_arl(0.5, limit, shift) for shift in (1, 2, 3)] == pytest.approx(list(runs), rel=5e-3)
    assert [cusum_arl(0.5, limit, shift, limit / 2) for shift in (1, 2, 3)] == pytest.approx(
        list(started_runs), rel=5e-3
    )


def test_a_weight_of_one_is_a_chart_of_single_readings():
    # A chart that forgets everything runs 1 / P(|z| > 3) = 370.398 readings (Shewhart's three sigma; plain arithmetic).
    assert ewma_arl(1, 3) == pytest.approx(370.398, abs=5e-3)


def test_run_lengths_agree_with_readings_drawn_at_random():
    # Independent of the integral equation: 4,000 charts are simply run; the mean of their lengths has an error of 0.6 %.
    z = np.random.default_rng(7).standard_normal((4_000, 120)) + 1.0
    _, high = cusum_statistics(z, 0.5, start=1.5)
    lengths = (high >= 3).argmax(axis=1) + 1
    assert (high >= 3).any(axis=1).all()
    assert lengths.mean() == pytest.approx(cusum_arl(0.5, 3, 1, start=1.5), rel=0.03)


@pytest.mark.parametrize(
    "ask",
    [
        pytest.param(lambda: cusum_arl(-0.1, 4), id="a reference value below 0"),
        pytest.param(lambda: cusum_arl(0.5, 0), id="no limit"),
        pytest.param(lambda: cusum_arl(0.5, 41), id="a limit beyond the nodes"),
        pytest.param(lambda: cusum_arl(0.5, 4, start=4), id="a start at the limit"),
        pytest.param(lambda: cusum_arl(0.5, 4, float("nan")), id="a mean that is no number"),
        pytest.param(lambda: cusum_arl(0.5, 20, -3), id="a run that never ends"),
        pytest.param(lambda: two_sided_cusum_arl(3, 30), id="two sides that never end"),
        pytest.param(lambda: cusum_limit(2, 0.5), id="a run shorter than the chart can be"),
        pytest.param(lambda: cusum_limit(1e12, 0.5), id="a run longer than any chart's"),
        pytest.param(lambda: cusum_limit(float("nan"), 0.5), id="a wanted run that is no number"),
        pytest.param(lambda: ewma_arl(0, 3), id="a weight of nothing"),
        pytest.param(lambda: ewma_arl(0.2, -3), id="a negative width"),
        pytest.param(lambda: ewma_arl(0.2, 3, float("inf")), id="an infinite mean"),
        pytest.param(lambda: ewma_arl(0.001, 3), id="a weight too small for the nodes"),
        pytest.param(lambda: ewma_width(0.5, 0.2), id="a run of less than one reading"),
        pytest.param(lambda: poisson_cusum_arl(0, 0.25, 10), id="counts of mean 0"),
        pytest.param(lambda: poisson_cusum_arl(1, 0.25, 10, 10), id="counts started at the limit"),
        pytest.param(lambda: poisson_cusum_arl(1, 2**-0.5, 10), id="no common denominator"),
        pytest.param(lambda: cusum_statistics(np.array([[np.nan]]), 0.5), id="a reading that is no number"),
        pytest.param(lambda: cusum_statistics(np.zeros(3), 0.5), id="readings without units"),
        pytest.param(lambda: ewma_statistics(np.array([[np.inf]]), 0.2), id="an infinite reading"),
        pytest.param(lambda: ewma_limits(0.2, 3, -1), id="fewer than no readings"),
    ],
)
def test_nonsense_is_refused(ask):
    with pytest.raises(Nonsense):
        ask()


numbers = st.one_of(st.floats(-3, 12), st.just(float("nan")), st.just(float("inf")), st.just(-1e300))


def answer(ask, *values):
    try:
        return ask(*values)
    except Nonsense:
        return "refused"


@settings(max_examples=100, deadline=None)
@given(numbers, numbers, numbers, numbers)
def test_whatever_is_asked_the_answer_is_a_run_of_one_or_more_or_a_refusal(k, h, mean, start):
    for ask in (cusum_arl, two_sided_cusum_arl, poisson_cusum_arl):
        told = answer(ask, k, h, mean, start)
        assert told == "refused" or 1 - 1e-9 <= told < 1e12


@settings(max_examples=60, deadline=None)
@given(st.floats(0.05, 1), st.floats(0.1, 4), st.floats(-3, 3))
def test_an_ewma_runs_at_least_one_reading_and_less_the_farther_the_mean_is_off(weight, width, mean):
    at_mean, farther = ewma_arl(weight, width, mean), ewma_arl(weight, width, mean * 1.5)
    assert 1 - 1e-9 <= farther <= at_mean * (1 + 1e-6)
