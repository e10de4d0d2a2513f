"""Many operators' wick lives fitted at once, and fits against two libraries.

Outside checks: the libraries lifelines and surpyval (PyPI) on the same rows, operator by operator.
"""

import math
import warnings

import numpy as np
import pytest

from servicing.rules.lifetimes.cells import as_cells, collapse
from servicing.rules.lifetimes.operators import fit_each, fit_operators
from servicing.rules.lifetimes.weibull import fit_weibull
from servicing.rules.nonsense import Nonsense

INF = math.inf
SHAPE_PRIOR = (math.log(2), 0.4)


def visited(draws, scale_days, wicks, shape=2.2):
    """Rows of lives looked at every 30 days until 540."""
    life = np.repeat(scale_days, wicks) * draws.weibull(shape, len(scale_days) * wicks)
    seen = np.minimum(np.floor(life / 30) * 30, 540)
    return seen, np.where(seen >= 540, INF, seen + 30), np.repeat(np.arange(len(scale_days)), wicks)


def test_every_operator_alone_against_two_libraries():
    left, right, code = visited(np.random.default_rng(3), np.array([400.0, 600.0, 500.0]), 80)
    ours = fit_each(collapse(left, right, code=code))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # their own, on coming versions of what they import
        import surpyval
        from lifelines import WeibullFitter

        for operator in range(3):
            lives = left[code == operator], right[code == operator]
            curve = WeibullFitter().fit_interval_censoring(*lives)
            scale, shape = surpyval.Weibull.fit(xl=lives[0], xr=lives[1]).params
            assert math.exp(ours.log_scale[operator]) == pytest.approx(curve.lambda_, rel=1e-5)
            assert math.exp(ours.log_shape[operator]) == pytest.approx(curve.rho_, rel=1e-5)
            assert math.exp(ours.log_scale[operator]) == pytest.approx(scale, rel=1e-5)
            assert math.exp(ours.log_shape[operator]) == pytest.approx(shape, rel=1e-5)


def test_lives_watched_late_against_a_library():
    draws = np.random.default_rng(9)
    life = 400 * draws.weibull(1.8, 150)
    entry = np.where(draws.random(150) < 0.4, np.rint(draws.uniform(10, 250, 150)), 0)
    life, entry = life[life > entry], entry[life > entry]
    seen = np.minimum(np.floor(life / 30) * 30, 480)
    left, right = np.maximum(seen, entry), np.where(seen >= 480, INF, seen + 30)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import surpyval

        scale, shape = surpyval.Weibull.fit(xl=left, xr=right, tl=entry).params
    fit = fit_weibull(as_cells(left, right, entry))
    assert fit.scale() == pytest.approx(scale, rel=1e-5)
    assert fit.shape == pytest.approx(shape, rel=1e-5)


def test_all_at_once_is_each_by_itself_with_its_errors():
    left, right, code = visited(np.random.default_rng(8), np.full(6, 500.0), 60)
    together = fit_each(collapse(left, right, code=code))
    for operator in range(6):
        alone = fit_weibull(collapse(left[code == operator], right[code == operator]))
        assert together.log_scale[operator] == pytest.approx(alone.log_scale(), abs=1e-8)
        assert together.log_shape[operator] == pytest.approx(alone.log_shape, abs=1e-8)
        assert together.covariance[operator] == pytest.approx(
            alone.covariance[[0, 0, 1], [0, 1, 1]], rel=1e-6
        )
        assert together.failures[operator] == alone.failures


def test_operators_of_one_franchise_are_drawn_together_as_far_as_their_lives_say_little():
    draws = np.random.default_rng(2)
    truth = 600 * np.exp(draws.normal(0, 0.3, 120))
    left, right, code = visited(draws, truth, 40)
    cells = collapse(left, right, code=code)
    fits = fit_operators(cells)
    alone = fit_each(cells, (math.log(600), 2.0), SHAPE_PRIOR)
    off = fits.each.log_scale - np.log(truth)
    off_alone = alone.log_scale - np.log(truth)
    assert fits.level == pytest.approx(math.log(600), abs=0.1)
    assert fits.between_sd == pytest.approx(0.3, abs=0.08)
    assert (off**2).mean() < (off_alone**2).mean()
    within = np.abs(off) < 1.96 * np.sqrt(fits.each.covariance[:, 0])
    assert 0.88 < within.mean() < 0.99


def test_an_operator_without_failures_gets_a_curve_from_the_others():
    left, right, code = visited(np.random.default_rng(6), np.full(8, 500.0), 60)
    cells = as_cells(np.append(left, 90.0), np.append(right, INF), code=np.append(code, 8))
    fits = fit_operators(cells)
    assert fits.each.failures[8] == 0
    assert math.exp(fits.each.log_scale[8]) == pytest.approx(math.exp(fits.level), rel=0.05)
    with pytest.raises(Nonsense, match="Operator 8 has seen no failure"):
        fit_each(cells)


def test_operators_that_cannot_be_fitted_are_named():
    with pytest.raises(Nonsense, match="Operator 1 has no lives"):
        fit_operators(as_cells([10, 20], [30, 40], code=[0, 2]))
    with pytest.raises(Nonsense, match="no lives to fit"):
        fit_operators(as_cells([], []))
    with pytest.raises(Nonsense, match="operator 1 decide no life curve"):
        fit_each(as_cells([10, 90, 300, 300], [40, 120, 330, 330], code=[0, 0, 1, 1]))


def test_two_operators_alike_keep_a_spread():
    left, right, code = visited(np.random.default_rng(1), np.full(2, 500.0), 300)
    assert fit_operators(collapse(left, right, code=code)).between_sd > 0.03
