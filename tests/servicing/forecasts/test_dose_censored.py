"""Regression on values of which only bounds are known, and the moments of a normal between bounds."""

import numpy as np
import pytest
from scipy.stats import norm, truncnorm

from servicing.rules.dose.censored import bounded_moments, fit_censored
from servicing.rules.nonsense import Nonsense

# durable, age, quant of J. Tobin, "Estimation of relationships for limited dependent variables", Econometrica 26 (1958),
# 24-36, as R's package survival carries them (data set tobin).
TOBIN = np.array(
    [
        [0.0, 57.7, 236], [0.7, 50.9, 283], [0.0, 48.5, 207], [0.0, 41.7, 220], [0.0, 47.7, 238],
        [0.0, 59.8, 216], [0.0, 44.3, 284], [3.7, 45.1, 221], [0.0, 51.7, 275], [3.0, 50.0, 269],
        [10.4, 46.8, 207], [0.0, 58.0, 249], [0.0, 58.9, 246], [0.0, 40.0, 277], [1.5, 34.1, 231],
        [0.0, 39.9, 219], [0.0, 33.4, 240], [3.5, 48.1, 266], [6.1, 46.6, 214], [0.0, 53.1, 251],
    ]
)  # fmt: skip


def tobit():
    columns = np.column_stack([np.ones(len(TOBIN)), TOBIN[:, 1:]])
    low = np.where(TOBIN[:, 0] > 0, TOBIN[:, 0], -np.inf)
    return fit_censored(low, TOBIN[:, 0], columns), columns


def test_tobins_own_data_give_the_published_fitted_values():
    fit, columns = tobit()
    # Printed in R survival, tests/Examples/survival-Ex.Rout.save (survreg, gaussian), first six fitted values.
    published = [-3.04968679, -4.31254182, -0.54163315, -0.25607164, -1.85017727, -2.40987803]
    assert (columns @ fit.coefficients)[:6] == pytest.approx(published, abs=1e-5)


def test_tobins_own_data_give_the_coefficients_of_our_own_second_computation():
    fit, _ = tobit()
    # Our own digits, from an independent computation; no published source.
    assert fit.coefficients == pytest.approx([15.14487, -0.129059, -0.0455417], rel=1e-5)
    assert fit.sigma == pytest.approx(5.57254, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-28.940, abs=5e-4)


def test_values_that_are_all_read_give_least_squares():
    draw = np.random.default_rng(11)
    columns = np.column_stack([np.ones(50), draw.normal(size=(50, 2))])
    values = columns @ [1.0, -2.0, 0.5] + draw.normal(size=50)
    fit = fit_censored(values, values, columns)
    expected, squares, *_ = np.linalg.lstsq(columns, values, rcond=None)
    assert fit.coefficients == pytest.approx(expected, rel=1e-8)
    assert fit.sigma == pytest.approx(np.sqrt(squares[0] / 50), rel=1e-8)
    # The textbook covariance of least squares with the maximum-likelihood sigma.
    textbook = fit.sigma**2 * np.linalg.inv(columns.T @ columns)
    assert fit.covariance[:3, :3] == pytest.approx(textbook, rel=1e-6, abs=1e-12)


def test_a_mix_of_all_kinds_of_bounds_is_at_its_maximum():
    draw = np.random.default_rng(5)
    columns = np.column_stack([np.ones(300), draw.normal(size=300)])
    values = columns @ [2.0, 1.0] + 0.7 * draw.normal(size=300)
    low, high = values.copy(), values.copy()
    low[:60], high[60:120] = -np.inf, np.inf
    low[120:180], high[120:180] = np.floor(values[120:180]), np.floor(values[120:180]) + 1
    fit = fit_censored(low, high, columns)

    def log_likelihood(first, second, sigma):
        # Straight from the definition, by scipy's normal distribution.
        middle = columns @ [first, second]
        read = norm.logpdf(values[180:], middle[180:], sigma).sum()
        mass = norm.cdf(high[:180], middle[:180], sigma) - norm.cdf(low[:180], middle[:180], sigma)
        return read + np.log(mass).sum()

    here = (*fit.coefficients, fit.sigma)
    assert fit.log_likelihood == pytest.approx(log_likelihood(*here), rel=1e-10)
    for place in range(3):
        for step in (-1e-3, 1e-3):
            there = np.array(here)
            there[place] += step
            assert log_likelihood(*there) < fit.log_likelihood


def test_moments_between_bounds_are_those_of_scipys_truncated_normal():
    low = np.array([-np.inf, -3.0, 2.0, 5.0, -9.0, -1.0, -6.0, 0.3, 3.9, -np.inf])
    high = np.array([1.0, 4.0, np.inf, 6.0, -8.0, np.inf, np.inf, 0.5, np.inf, -3.0])
    mean, variance = bounded_moments(low, high)
    expected_mean, expected_variance = truncnorm.stats(low, high, moments="mv")
    assert mean == pytest.approx(expected_mean, rel=1e-9)
    assert variance == pytest.approx(expected_variance, rel=1e-6)


def test_moments_hold_where_nothing_is_left_of_the_density():
    # Far out, the mean of a normal above a is a + 1/a - 2/a^3 and its variance 1/a^2 - 6/a^4 (Mills' ratio, expanded).
    mean, variance = bounded_moments(np.array([60.0]), np.array([np.inf]))
    assert mean == pytest.approx(60 + 1 / 60 - 2 / 60**3, rel=1e-9)
    assert variance == pytest.approx(1 / 60**2 - 6 / 60**4, rel=1e-4)
    # A sliver so narrow that the density is flat on it: width^2 / 12.
    mean, variance = bounded_moments(np.array([1.0]), np.array([1.0 + 1e-6]))
    assert mean == pytest.approx(1.0 + 5e-7, rel=1e-12)
    assert variance == pytest.approx(1e-12 / 12, rel=1e-6)


def test_reversed_or_open_bounds_are_nonsense():
    one = np.ones((5, 1))
    values = np.arange(5.0)
    with pytest.raises(Nonsense, match="upper bound"):
        bounded_moments(np.array([1.0]), np.array([1.0]))
    with pytest.raises(Nonsense, match="at or below"):
        fit_censored(values + 1, values, one)
    with pytest.raises(Nonsense, match="one side"):
        fit_censored(np.append(values[1:], -np.inf), np.append(values[1:], np.inf), one)


def test_too_few_read_values_or_values_without_spread_are_nonsense():
    one = np.ones((5, 1))
    with pytest.raises(Nonsense, match="too few"):
        fit_censored(np.arange(5.0), np.full(5, np.inf), one)
    with pytest.raises(Nonsense, match="too few"):
        fit_censored(np.arange(5.0), np.arange(5.0), np.ones((5, 2)))
    with pytest.raises(Nonsense, match="without any spread"):
        fit_censored(np.full(5, 3.0), np.full(5, 3.0), one)
