"""Rates of many units drawn towards what they have in common."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicing.rules.nonsense import Nonsense
from servicing.rules.shrinkage import MOST_ALIKE, gamma_fit, gamma_log_marginal, gamma_mean

# Failures and thousands of hours of ten pumps; data and model as on pmean.com/11/Hierarchical.html.
FAILURES = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22.0])
HOURS = np.array([94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5])


def test_the_pumps_by_marginal_likelihood():
    # Our own computation, to five digits; no published source.
    a, b = gamma_fit(FAILURES, HOURS)
    assert (a, b) == pytest.approx((0.82297, 1.26165), abs=1e-5)
    rates = gamma_mean(a, b, FAILURES, HOURS)
    assert (rates[0], rates[9]) == pytest.approx((0.0609, 1.9405), abs=1e-4)


def test_the_pumps_under_a_prior_by_quadrature():
    # alpha ~ Exp(1), beta ~ Gamma(0.1, 1): the model of pmean.com/11/Hierarchical.html.
    alphas, betas = np.exp(np.linspace(-4, 2.5, 260)), np.exp(np.linspace(-7, 3, 320))
    alpha, beta = np.meshgrid(alphas, betas, indexing="ij")
    log_marginal = np.array(
        [[gamma_log_marginal(a, b, FAILURES, HOURS) for b in betas[::4]] for a in alphas[::4]]
    )
    alpha, beta = alpha[::4, ::4], beta[::4, ::4]
    # A grid even in the logs: each point stands for alpha x beta of area.
    log_weight = log_marginal - alpha - 0.9 * np.log(beta) - beta + np.log(alpha) + np.log(beta)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    rates = gamma_mean(alpha[..., None], beta[..., None], FAILURES, HOURS)
    mean_rates = (weight[..., None] * rates).sum(axis=(0, 1))
    # Posterior means by two-dimensional quadrature: our own. The printed MCMC means, .6951 and .9189, are from memory.
    assert (weight * alpha).sum() == pytest.approx(0.697, abs=1e-3)
    assert (weight * beta).sum() == pytest.approx(0.927, abs=1e-3)
    assert (weight * alpha).sum() == pytest.approx(0.6951, rel=0.02)
    assert (weight * beta).sum() == pytest.approx(0.9189, rel=0.02)
    expected = [0.0598, 0.1018, 0.0892, 0.1158, 0.601, 0.609, 0.893, 0.893, 1.586, 1.990]
    assert mean_rates == pytest.approx(expected, abs=1e-3)


def test_the_pumps_are_at_a_maximum():
    a, b = gamma_fit(FAILURES, HOURS)
    best = gamma_log_marginal(a, b, FAILURES, HOURS)
    for around in ((1.01, 1), (0.99, 1), (1, 1.01), (1, 0.99)):
        assert gamma_log_marginal(a * around[0], b * around[1], FAILURES, HOURS) < best


def test_counts_no_more_unlike_than_chance_share_one_rate():
    a, b = gamma_fit([3, 3, 3, 3], [10, 10, 10, 10])
    assert a == MOST_ALIKE
    assert a / b == pytest.approx(0.3)


def test_no_count_at_all_leaves_half_a_count():
    assert gamma_fit([0, 0], [10, 30]) == (0.5, 40)


def test_a_row_without_exposure_changes_nothing():
    assert gamma_fit(np.append(FAILURES, 0), np.append(HOURS, 0)) == gamma_fit(FAILURES, HOURS)


@pytest.mark.parametrize(
    ("counts", "exposures", "says"),
    [
        ([1, -1], [1, 1], "0 or more"),
        ([1, np.nan], [1, 1], "0 or more"),
        ([1, 1], [1, -1], "0 or more"),
        ([1, 1], [1, 0], "nothing was watched"),
        ([0], [0], "Nothing was watched"),
        ([], [], "Nothing was watched"),
        ([1, 2], [1], "one a row"),
    ],
)
def test_nonsense_is_refused_with_a_sentence(counts, exposures, says):
    with pytest.raises(Nonsense, match=says):
        gamma_fit(counts, exposures)


@given(
    st.lists(
        st.tuples(st.integers(0, 10_000), st.floats(1e-3, 1e6, allow_nan=False)), min_size=1, max_size=12
    )
)
def test_any_counts_give_finite_rates_above_zero(rows):
    counts, exposures = (np.array(column, float) for column in zip(*rows, strict=True))
    a, b = gamma_fit(counts, exposures)
    rates = gamma_mean(a, b, counts, exposures)
    assert np.isfinite(rates).all()
    assert (rates > 0).all()
