"""What one unit's own readings make of what is expected of it."""

import numpy as np
import pytest
from scipy.special import log_ndtr
from scipy.stats import norm

from servicing.rules.dose.model import DoseFit
from servicing.rules.dose.posterior import fold_posterior
from servicing.rules.dose.readings import DISTURBED, MISSING, RAN_DRY, READ, UNTOUCHED, Readings
from servicing.rules.nonsense import Nonsense
from tests.servicing.forecasts.fleets_at_random import Truth, fleet, nominal_of

FIT = DoseFit(mean=0.0, between_sd=0.15, visit_sd=0.10)


def one_unit(*rows):
    """A unit of rows (kind, low, high), each of 30 days at a nominal 8 mL a day, so that 240 mL are expected."""
    kinds, lows, highs = (np.array([column], float) for column in zip(*rows, strict=True))
    days = np.full(kinds.shape, 30.0)
    ended = 20_000 + 30.0 * np.arange(kinds.shape[1])[None, :]
    return Readings(ended, days, np.full(kinds.shape, 295.0), lows, highs, kinds.astype(np.int8))


def folded(*rows, fit=FIT):
    return fold_posterior(one_unit(*rows), np.array([8.0]), np.array([fit.mean]), fit)


def sharp(ml):
    """So well read that the eye's error is nothing."""
    return (READ, ml - 1e-6, ml + 1e-6)


def test_a_unit_without_readings_keeps_what_was_expected():
    posterior = folded((MISSING, 0, 0))
    assert (posterior.n[0], posterior.mean[0], posterior.var[0]) == (0, 0.0, 0.15**2)
    assert (posterior.z[0, 0], posterior.expected_ml[0, 0], posterior.kept[0, 0]) == (0, 0, False)


def test_exact_readings_give_the_textbook_shrinkage():
    consumed = [260.0, 250.0, 280.0, 245.0]
    posterior = folded(*map(sharp, consumed))
    # Efron & Morris 1975, Carlin & Louis (from memory): B = t2/(t2 + s2/n), mean mu + B (ybar - mu), variance B s2/n.
    ybar, n = np.log(np.array(consumed) / 240).mean(), 4
    shrink = 0.15**2 / (0.15**2 + 0.10**2 / n)
    assert posterior.mean[0] == pytest.approx(shrink * ybar, rel=1e-9)
    assert posterior.var[0] == pytest.approx(shrink * 0.10**2 / n, rel=1e-9)
    assert posterior.n[0] == 4


def test_z_is_reckoned_before_the_reading_enters():
    posterior = folded(sharp(260.0), sharp(300.0))
    first = np.log(260 / 240) / np.hypot(0.15, 0.10)
    gain = 0.15**2 / (0.15**2 + 0.10**2)
    mean, var = gain * np.log(260 / 240), 0.15**2 * (1 - gain)
    second = (np.log(300 / 240) - mean) / np.sqrt(var + 0.10**2)
    assert posterior.z[0] == pytest.approx([first, second], rel=1e-9)
    assert posterior.expected_ml[0] == pytest.approx([240, 240 * np.exp(mean)], rel=1e-9)


def test_the_season_is_taken_out_of_a_reading_and_of_what_is_expected():
    fit = DoseFit(mean=0.0, between_sd=0.15, visit_sd=0.10, season=(0.08, 0.0))
    phase = 2 * np.pi * (20_000 - 15) / 365.25
    summer = 0.08 * np.sin(phase)
    posterior = folded(sharp(240 * np.exp(summer)), fit=fit)
    assert posterior.mean[0] == pytest.approx(0, abs=1e-9)
    assert posterior.expected_ml[0, 0] == pytest.approx(240 * np.exp(summer))


def by_brute_force(low, high):
    """Mean and variance of a unit's level after one row known only between bounds, on a fine grid."""
    own = np.linspace(-1.5, 1.5, 60_001)
    top = norm.cdf((np.log(high / 240) - own) / 0.10) if high < np.inf else np.ones_like(own)
    bottom = norm.cdf((np.log(low / 240) - own) / 0.10) if low > 0 else np.zeros_like(own)
    weight = norm.pdf(own, 0, 0.15) * (top - bottom)
    weight /= weight.sum()
    mean = (weight * own).sum()
    return mean, (weight * (own - mean) ** 2).sum()


@pytest.mark.parametrize(
    "row",
    [(RAN_DRY, 290.0, np.inf), (RAN_DRY, 200.0, np.inf), (UNTOUCHED, 0.0, 200.0), (READ, 130.0, 230.0)],
)
def test_rows_that_are_only_bounds_have_the_moments_of_their_exact_posterior(row):
    posterior = folded(row)
    mean, var = by_brute_force(row[1], row[2])
    assert posterior.kept[0, 0]
    assert posterior.mean[0] == pytest.approx(mean, abs=1e-6)
    assert posterior.var[0] == pytest.approx(var, rel=1e-5)


def test_running_dry_again_and_again_raises_the_estimate_beyond_the_bound():
    rows = [(RAN_DRY, 295.0, np.inf)] * 6
    posterior = folded(*rows)
    own = np.linspace(-1.0, 2.0, 30_001)
    weight = np.exp(norm.logpdf(own, 0, 0.15) + 6 * log_ndtr((own - np.log(295 / 240)) / 0.10))
    weight /= weight.sum()
    # Six rows matched one after the other against all six at once: an approximation, good to a seventh of the spread.
    assert posterior.mean[0] == pytest.approx((weight * own).sum(), abs=np.sqrt(posterior.var[0]) / 7)
    assert posterior.mean[0] > np.log(295 / 240)


def test_a_single_odd_reading_does_not_enter():
    posterior = folded(sharp(240), sharp(240), sharp(70), sharp(240))
    assert posterior.kept[0].tolist() == [True, True, False, True]
    assert posterior.z[0, 2] < -4
    assert posterior.mean[0] == pytest.approx(0, abs=1e-9)


def test_two_odd_readings_that_agree_start_the_unit_anew():
    posterior = folded(*[sharp(240)] * 8, sharp(420), sharp(430))
    assert posterior.kept[0].tolist() == [True] * 8 + [False, True]
    assert posterior.mean[0] == pytest.approx(np.log(np.sqrt(420 * 430) / 240), abs=1e-6)
    assert posterior.var[0] == pytest.approx(0.10**2 / 2, rel=1e-6)
    assert posterior.n[0] == 2


def test_two_odd_readings_on_either_side_or_with_a_repair_between_do_not():
    apart = folded(*[sharp(240)] * 8, sharp(420), sharp(120))
    assert apart.kept[0, -2:].tolist() == [False, False]
    repaired = folded(*[sharp(240)] * 8, sharp(420), (DISTURBED, 0, 0), sharp(425))
    assert repaired.kept[0, -3:].tolist() == [False, False, False]


def test_a_unit_found_untouched_twice_stands_still_and_keeps_its_dose():
    posterior = folded(*[sharp(240)] * 4, (UNTOUCHED, 0, 10), (UNTOUCHED, 0, 10))
    assert posterior.kept[0, -2:].tolist() == [False, False]
    assert (posterior.z[0, -2:] < -4).all()
    assert posterior.mean[0] == pytest.approx(0, abs=1e-9)


def test_the_true_dose_lies_in_the_80_per_cent_interval_four_times_in_five():
    truth = Truth()
    readings, own = fleet(truth, 4_000, seed=9)
    fit = DoseFit(mean=truth.mean, between_sd=truth.between_sd, visit_sd=truth.visit_sd, season=truth.season)
    posterior = fold_posterior(readings, nominal_of(readings), np.full(4_000, truth.mean), fit)
    error = (posterior.mean - own) / np.sqrt(posterior.var)
    # 3.3 standard errors of 4,000 draws: sqrt(.8 x .2 / 4,000) x 3.3 = .021.
    assert (np.abs(error) < 1.2816).mean() == pytest.approx(0.80, abs=0.021)
    assert error.mean() == pytest.approx(0, abs=0.06)
    kept = posterior.z[posterior.kept & (readings.kind == READ)]
    assert kept.std() == pytest.approx(1.0, abs=0.03)


def test_a_unit_comes_out_the_same_whatever_is_folded_beside_it():
    readings, _ = fleet(Truth(faulty=0.05, available_ml=260.0), 9_000, seed=10)
    nominal, prior = nominal_of(readings), np.full(readings.units, 0.02)
    together = fold_posterior(readings, nominal, prior, FIT)
    tables = (
        readings.ended_day,
        readings.days,
        readings.available_ml,
        readings.low_ml,
        readings.high_ml,
        readings.kind,
    )
    for unit in (0, 1, 8_191, 8_192, 8_999):
        alone = Readings(*(table[unit : unit + 1] for table in tables))
        single = fold_posterior(alone, nominal[:1], prior[:1], FIT)
        assert single.mean[0] == together.mean[unit]
        assert single.var[0] == together.var[unit]
        assert (single.z[0] == together.z[unit]).all()


def test_priors_that_are_not_numbers_or_not_one_a_unit_are_nonsense():
    unit = one_unit(sharp(240))
    with pytest.raises(Nonsense, match="Prior means"):
        fold_posterior(unit, np.array([8.0]), np.array([np.nan]), FIT)
    with pytest.raises(Nonsense, match="Prior means"):
        fold_posterior(unit, np.array([8.0]), np.zeros(2), FIT)
    with pytest.raises(Nonsense, match="nominal dose"):
        fold_posterior(unit, np.array([-8.0]), np.zeros(1), FIT)
