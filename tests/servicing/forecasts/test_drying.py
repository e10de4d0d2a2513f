"""When a unit runs dry: against the log-normal of scipy, and against the process itself by brute force."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import lognorm

from servicing.rules.dose.model import DoseFit
from servicing.rules.dose.posterior import Posterior
from servicing.rules.drying import (
    LONGEST_DAYS,
    DoseAhead,
    Slowing,
    cartridge_level_ml,
    chance_dry_before,
    dose_ahead,
    dry_days,
    latest_day,
)
from servicing.rules.nonsense import Nonsense


def array(*values):
    return np.array(values, float)


AHEAD = DoseAhead(array(np.log(8.0)), array(0.15))
LEVEL = array(280.0)


def slowing(hazard, share, stops):
    return Slowing(array(hazard), array(share), array(stops))


def test_undisturbed_the_time_to_dry_is_log_normal():
    time = lognorm(s=0.15, scale=35.0)
    days = array(20.0, 30.0, 35.0, 50.0)
    many = DoseAhead(np.full(4, np.log(8.0)), np.full(4, 0.15))
    assert chance_dry_before(np.full(4, 280.0), days, many) == pytest.approx(time.cdf(days), rel=1e-12)
    for quantile in (0.1, 0.5, 0.9):
        assert dry_days(LEVEL, AHEAD, quantile) == pytest.approx(time.ppf(quantile), rel=1e-12)


def by_brute_force(days, hazard, share, stops):
    """P(dry within days): the slowing's time by numerical integration, at each the chance that the dose is great enough.

    A plugged outlet and a failed wick both at once are left out here as well: each alone, and neither.
    """
    time = lognorm(s=0.15, scale=35.0)

    def alone(rate, after):
        if rate == 0:
            return 0.0
        # Dry by then if the undisturbed time is at most t + after (days - t), when it slows at t.
        late = quad(
            lambda t: rate * np.exp(-rate * t) * time.cdf(t + after * (days - t)), 0, days, epsabs=1e-12
        )[0]
        return time.cdf(days) * (1 - np.exp(-rate * days)) - late

    return time.cdf(days) - alone(hazard, share) - alone(stops, 0.0)


@pytest.mark.parametrize("days", [25.0, 31.0, 35.0, 42.0, 60.0])
@pytest.mark.parametrize("hazard", [0.0003, 0.002])
def test_a_wick_that_may_fail_on_the_way_lowers_the_chance(days, hazard):
    chance = chance_dry_before(LEVEL, array(days), AHEAD, slowing(hazard, 0.35, 0.0))
    assert chance[0] == pytest.approx(by_brute_force(days, hazard, 0.35, 0.0), abs=3e-4)


@pytest.mark.parametrize("days", [25.0, 31.0, 35.0, 42.0, 60.0])
def test_an_outlet_that_may_plug_on_the_way_lowers_the_chance(days):
    chance = chance_dry_before(LEVEL, array(days), AHEAD, slowing(0.0, 0.35, 0.0008))
    assert chance[0] == pytest.approx(by_brute_force(days, 0.0, 0.35, 0.0008), abs=3e-4)


def test_both_together_agree_with_each_alone_to_a_quarter_of_a_point():
    both = chance_dry_before(LEVEL, array(42.0), AHEAD, slowing(0.0015, 0.35, 0.0006))
    assert both[0] == pytest.approx(by_brute_force(42.0, 0.0015, 0.35, 0.0006), abs=2.5e-3)


def test_in_the_long_run_a_slowed_unit_is_dry_and_a_plugged_one_is_not():
    chance = chance_dry_before(LEVEL, array(3_000.0), AHEAD, slowing(0.002, 0.35, 0.0))
    assert chance[0] == pytest.approx(1.0, abs=1e-9)
    chance = chance_dry_before(LEVEL, array(3_000.0), AHEAD, slowing(0.0, 0.35, 0.002))
    # E[exp(-0.002 T)] with T log-normal, by numerical integration.
    time = lognorm(s=0.15, scale=35.0)
    lives = quad(lambda t: np.exp(-0.002 * t) * time.pdf(t), 0, 400, epsabs=1e-12)[0]
    assert chance[0] == pytest.approx(lives, abs=1e-4)


@pytest.mark.parametrize("quantile", [0.02, 0.1, 0.5, 0.8, 0.9, 0.97])
@pytest.mark.parametrize("hazard", [0.0, 0.001, 0.004, 0.02])
def test_the_time_at_a_probability_is_where_the_chance_is_that_probability(quantile, hazard):
    slow = slowing(hazard, 0.35, 0.0)
    days = dry_days(LEVEL, AHEAD, quantile, slow)
    assert chance_dry_before(LEVEL, days, AHEAD, slow)[0] == pytest.approx(quantile, abs=2e-4)


def test_a_unit_more_likely_plugged_than_not_is_never_surely_dry():
    days = dry_days(LEVEL, AHEAD, 0.9, slowing(0.0, 0.35, 0.03))
    assert days[0] == LONGEST_DAYS


def test_an_empty_unit_is_dry_now_and_a_filled_one_not_yet():
    levels, now = array(0.0, 280.0), np.zeros(2)
    two = DoseAhead(np.full(2, np.log(8.0)), np.full(2, 0.15))
    assert chance_dry_before(levels, now, two).tolist() == [1.0, 0.0]
    assert dry_days(levels, two, 0.5)[0] == 0.0


def test_the_latest_day_keeps_the_chance_at_or_below_the_target():
    slow = slowing(0.002, 0.35, 0.0004)
    day = latest_day(LEVEL, AHEAD, 0.10, slow)
    assert day[0] == int(day[0])
    assert chance_dry_before(LEVEL, day, AHEAD, slow)[0] <= 0.10
    assert chance_dry_before(LEVEL, day + 1, AHEAD, slow)[0] > 0.10


def test_the_cartridge_is_empty_before_the_reservoir_is_dry():
    cartridge = cartridge_level_ml(array(295.0, 10.0), 15.0)
    assert cartridge.tolist() == [280.0, 0.0]
    assert dry_days(cartridge[:1], AHEAD, 0.5)[0] < dry_days(array(295.0), AHEAD, 0.5)[0]


def posterior(mean, var):
    none = np.zeros((1, 0))
    return Posterior(np.array([3]), array(mean), array(var), none, none, none.astype(bool))


def test_the_dose_ahead_adds_up_every_source_of_doubt_and_the_season_in_the_middle():
    fit = DoseFit(mean=0.0, between_sd=0.15, visit_sd=0.05, season=(0.08, 0.0))
    ahead = dose_ahead(
        posterior(0.1, 0.0009),
        fit,
        array(8.0),
        level_ml=array(280.0),
        level_day=array(20_000.0),
        level_sd_ml=7.0,
    )
    half = 280 / (8 * np.exp(0.1)) / 2
    season = 0.08 * np.sin(2 * np.pi * (20_000 + half) / 365.25)
    assert ahead.log_mean[0] == pytest.approx(np.log(8) + 0.1 + season, rel=1e-12)
    assert ahead.log_sd[0] == pytest.approx(np.sqrt(0.0009 + 0.05**2 + (7 / 280) ** 2), rel=1e-12)


def test_the_spread_between_intervals_averages_out_over_what_lasts_longer_than_one():
    fit = DoseFit(mean=0.0, between_sd=0.15, visit_sd=0.05)
    level, day = array(280.0, 280.0, 0.0), array(20_000.0, 20_000.0, 20_000.0)
    nominal, none = array(8.0, 8.0, 8.0), np.zeros((3, 0))
    own = Posterior(np.array([3, 3, 3]), np.zeros(3), np.full(3, 0.0009), none, none, none.astype(bool))
    ahead = dose_ahead(
        own,
        fit,
        nominal,
        level_ml=level,
        level_day=day,
        level_sd_ml=1e-9,
        interval_days=array(17.5, 90.0, 30.0),
    )
    # 280 mL at 8 a day are 35 days: two intervals of 17.5, and less than one of 90.
    assert ahead.log_sd[0] == pytest.approx(np.sqrt(0.0009 + 0.05**2 / 2), rel=1e-9)
    assert ahead.log_sd[1] == pytest.approx(np.sqrt(0.0009 + 0.05**2), rel=1e-9)
    assert np.isfinite(ahead.log_sd[2])


def test_a_unit_comes_out_the_same_whatever_is_reckoned_beside_it():
    draw = np.random.default_rng(3)
    number = 20_000
    level, ahead = (
        draw.uniform(0, 500, number),
        DoseAhead(draw.normal(2, 0.3, number), draw.uniform(0.01, 0.4, number)),
    )
    slow = Slowing(
        draw.uniform(0, 0.01, number), draw.uniform(0, 0.9, number), draw.uniform(0, 0.002, number)
    )
    together = dry_days(level, ahead, 0.9, slow)
    for unit in (0, 7, 16_383, 16_384, 19_999):
        part = slice(unit, unit + 1)
        alone = DoseAhead(ahead.log_mean[part], ahead.log_sd[part])
        one = Slowing(slow.hazard_per_day[part], slow.flow_after[part], slow.stops_per_day[part])
        assert dry_days(level[part], alone, 0.9, one)[0] == together[unit]


def test_nonsense_is_refused_with_a_sentence():
    with pytest.raises(Nonsense, match="level"):
        dry_days(array(-1.0), AHEAD, 0.5)
    with pytest.raises(Nonsense, match="level"):
        dry_days(array(np.nan), AHEAD, 0.5)
    with pytest.raises(Nonsense, match="probability"):
        dry_days(LEVEL, AHEAD, 1.0)
    with pytest.raises(Nonsense, match="Days ahead"):
        chance_dry_before(LEVEL, array(-1.0), AHEAD)
    with pytest.raises(Nonsense, match="spread above 0"):
        dry_days(LEVEL, DoseAhead(array(2.0), array(0.0)), 0.5)
    with pytest.raises(Nonsense, match="one a unit"):
        dry_days(array(1.0, 2.0), AHEAD, 0.5)
    with pytest.raises(Nonsense, match="hazard"):
        slowing(-0.1, 0.35, 0.0)
    with pytest.raises(Nonsense, match="share"):
        slowing(0.1, 1.0, 0.0)
