"""What the units of an operator have in common, found again from readings that were drawn with it."""

import numpy as np
import pytest
from scipy.special import log_ndtr
from scipy.stats import norm

from servicing.rules.dose.fitting import LOG_SPREAD_SDS, MEAN_SD, fit_dose
from servicing.rules.dose.model import PRIOR_DOSE, DoseFit, prior_means
from servicing.rules.dose.readings import MISSING, RAN_DRY, READ, Readings, readings_of
from servicing.rules.nonsense import Nonsense
from tests.servicing.forecasts.fleets_at_random import NOMINAL, Truth, fleet, nominal_of


def fit_of(readings, groups=None):
    return fit_dose(readings, nominal_of(readings), groups or ["all"] * readings.units)


def test_a_fleets_figures_are_found_again():
    truth = Truth()
    fit = fit_of(fleet(truth, 2_000, seed=1)[0])
    # Within about four standard errors: sd/sqrt(2 x 2,000) for spreads, sd/sqrt(2,000) for the mean.
    assert fit.between_sd == pytest.approx(truth.between_sd, abs=0.008)
    assert fit.visit_sd == pytest.approx(truth.visit_sd, abs=0.003)
    assert fit.mean == pytest.approx(truth.mean, abs=0.011)
    assert fit.season == pytest.approx(truth.season, abs=0.004)


def test_units_that_run_dry_often_do_not_pull_the_mean_down():
    truth = Truth(available_ml=250.0)
    readings, _ = fleet(truth, 1_000, seed=2)
    assert 0.3 < (readings.kind == RAN_DRY).sum() / readings.usable().sum() < 0.6
    fit = fit_of(readings)
    assert fit.mean == pytest.approx(truth.mean, abs=0.016)
    assert fit.between_sd == pytest.approx(truth.between_sd, abs=0.012)
    assert fit.visit_sd == pytest.approx(truth.visit_sd, abs=0.005)
    assert fit.censored == (readings.kind == RAN_DRY).sum()


def test_a_few_per_cent_of_overlooked_faults_widen_nothing():
    truth = Truth(faulty=0.03, fewest=6)
    fit = fit_of(fleet(truth, 1_000, seed=3)[0])
    assert fit.between_sd == pytest.approx(truth.between_sd, abs=0.012)
    assert fit.visit_sd == pytest.approx(truth.visit_sd, abs=0.006)
    assert fit.mean == pytest.approx(truth.mean, abs=0.016)


def test_groups_that_differ_are_told_apart_and_small_ones_shrink_to_the_mean():
    readings, _ = fleet(Truth(mean=0.0), 600, seed=4)
    shift = np.repeat([0.15, -0.15, 0.15], [298, 298, 4])[:, None]
    moved = Readings(
        readings.ended_day,
        readings.days / np.exp(shift),
        readings.available_ml,
        readings.low_ml,
        readings.high_ml,
        readings.kind,
    )
    groups = ["wet"] * 298 + ["dry"] * 298 + ["few"] * 4
    fit = fit_of(moved, groups)
    assert fit.groups["wet"] == pytest.approx(0.15, abs=0.03)
    assert fit.groups["dry"] == pytest.approx(-0.15, abs=0.03)
    alone = fit_of(moved, [*groups[:596], "wet", "wet", "wet", "wet"])
    assert fit.groups["dry"] < fit.mean < fit.groups["wet"]
    assert fit.between_sd == pytest.approx(alone.between_sd, abs=0.005)
    assert prior_means(fit, ["wet", "unheard of"]).tolist() == [fit.groups["wet"], fit.mean]


def test_the_fit_is_the_maximum_of_the_marginal_likelihood():
    readings, _ = fleet(Truth(available_ml=275.0), 60, seed=5)
    fit = fit_of(readings)
    own = np.linspace(-0.9, 0.9, 3_601)

    def log_posterior(mean, between, visit):
        """By brute force: each unit's own level on a fine grid; one group, whose level is the mean."""
        phase = 2 * np.pi * (readings.ended_day - readings.days / 2) / 365.25
        season = fit.season[0] * np.sin(phase) + fit.season[1] * np.cos(phase)
        total = 0.0
        for unit in range(readings.units):
            likelihood = norm.logpdf(own, mean, between)
            kind, usual = readings.kind[unit], readings.days[unit] * NOMINAL
            middle = (readings.low_ml[unit] + readings.high_ml[unit]) / 2
            typical = np.exp(np.median(np.log(middle / usual)[kind == READ])) if (kind == READ).any() else 1.0
            for slot in np.flatnonzero(readings.usable()[unit]):
                if kind[slot] == READ:
                    eye_var = (10.0 / (usual[slot] * typical)) ** 2 / 3
                    value = np.log(middle[slot] / usual[slot]) + eye_var / 2 - season[unit, slot]
                    likelihood += norm.logpdf(value, own, np.sqrt(visit**2 + eye_var))
                else:
                    bound = np.log(readings.low_ml[unit, slot] / usual[slot]) - season[unit, slot]
                    likelihood += log_ndtr((own - bound) / visit)
            total += np.log(np.trapezoid(np.exp(likelihood - likelihood.max()), own)) + likelihood.max()
        spreads = np.log([between / PRIOR_DOSE.between_sd, visit / PRIOR_DOSE.visit_sd]) / LOG_SPREAD_SDS
        return total - mean**2 / (2 * MEAN_SD**2) - (spreads**2).sum() / 2

    here = (fit.groups["all"], fit.between_sd, fit.visit_sd)
    best = log_posterior(*here)
    # Lower on both sides: the maximum lies within half a step, a fifth of a standard error (of about 0.12/sqrt(60),
    # 0.12/sqrt(120) and 0.04/sqrt(1,000)).
    for place, step in ((0, 0.006), (1, 0.004), (2, 0.0005)):
        for sign in (-1, 1):
            there = list(here)
            there[place] += sign * step
            assert log_posterior(*there) < best


def test_no_readings_give_the_prior():
    assert fit_dose(readings_of([[], []]), np.full(2, 8.0), ["a", "b"]) == PRIOR_DOSE
    assert fit_dose(readings_of([]), np.zeros(0), []) == PRIOR_DOSE


def test_one_reading_moves_the_prior_only_a_little():
    fit = fit_dose(readings_of([[[1_728_000_000, 30 * 86_400, 295, 30, 15, 0, ""]]]), np.array([8.0]), ["a"])
    assert fit.between_sd == pytest.approx(PRIOR_DOSE.between_sd, rel=0.25)
    assert fit.visit_sd == pytest.approx(PRIOR_DOSE.visit_sd, rel=0.5)
    assert 0 < fit.mean < np.log(250 / 240)
    assert (fit.units, fit.readings, fit.censored) == (1, 1, 0)


def test_units_without_readings_change_nothing():
    readings, _ = fleet(Truth(), 50, seed=6)
    silent = [np.concatenate([table, np.zeros((3, table.shape[1]), table.dtype)]) for table in (
        readings.ended_day, readings.days, readings.available_ml, readings.low_ml, readings.high_ml, readings.kind,
    )]  # fmt: skip
    assert (silent[5][-3:] == MISSING).all()
    assert fit_of(Readings(*silent)) == fit_of(readings)


def test_readings_that_are_all_alike_or_all_dry_still_give_a_fit():
    alike = readings_of([[[1_728_000_000, 30 * 86_400, 295, 40, 15, 0, ""]] * 5] * 30)
    fit = fit_of(alike)
    assert fit.mean == pytest.approx(0.0, abs=0.02)
    dry = readings_of([[[1_728_000_000, 30 * 86_400, 295, 0, 0, 0, ""]] * 5] * 30)
    fit = fit_of(dry)
    assert fit.mean > np.log(295 / 240)
    assert fit.censored == 150


def test_a_fit_is_the_same_after_storing():
    fit = fit_of(fleet(Truth(), 40, seed=7)[0])
    assert DoseFit.from_json(fit.to_json()) == fit


def test_another_number_of_groups_or_a_nominal_dose_of_nothing_is_nonsense():
    readings, _ = fleet(Truth(), 3, seed=8)
    with pytest.raises(Nonsense, match="one group"):
        fit_dose(readings, nominal_of(readings), ["a"])
    with pytest.raises(Nonsense, match="one a unit"):
        fit_dose(readings, np.array([8.0]), ["a", "a", "a"])
    with pytest.raises(Nonsense, match="nominal dose"):
        fit_dose(readings, np.array([8.0, 0.0, 8.0]), ["a", "a", "a"])
    with pytest.raises(Nonsense, match="spreads above 0"):
        DoseFit(mean=float("nan"), between_sd=0.1, visit_sd=0.1)
