"""Whatever a history holds, a forecast is a finite number, or the input is refused: never a number that is none."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from servicing.rules.dose.fitting import fit_dose
from servicing.rules.dose.model import prior_means
from servicing.rules.dose.posterior import fold_posterior
from servicing.rules.dose.readings import readings_of
from servicing.rules.dose.reservoir import balances_of, charged_levels
from servicing.rules.drying import Slowing, chance_dry_before, dose_ahead, dry_days

volumes = st.one_of(st.none(), st.integers(-50, 2_000), st.just(0), st.just(280), st.floats())
rows = st.tuples(
    st.one_of(st.integers(0, 4_000_000_000), st.floats()),
    st.one_of(st.integers(-100, 400 * 86_400), st.floats()),
    st.one_of(st.integers(-10, 2_000), st.just(295), st.floats()),
    volumes,
    volumes,
    st.one_of(st.integers(-5, 300), st.just(0), st.floats()),
    st.text("wolsd", max_size=2),
).map(list)
plausible = st.tuples(
    st.integers(1_600_000_000, 1_700_000_000),
    st.integers(3 * 86_400, 60 * 86_400),
    st.just(295),
    st.integers(0, 28).map(lambda steps: 10 * steps),
    st.integers(0, 3).map(lambda steps: 5 * steps),
    st.sampled_from([0, 0, 15]),
    st.sampled_from(["", "", "", "w", "l"]),
).map(list)
units = st.lists(st.lists(st.one_of(plausible, rows), max_size=8), max_size=5)


ways = st.fixed_dictionaries(
    {
        "level_ml": st.floats(0, 1e6),
        "hazard": st.floats(0, 0.5),
        "share": st.floats(0, 0.99),
        "quantile": st.floats(0.001, 0.999),
    }
)


@given(units, st.floats(0.001, 10_000), ways)
@settings(max_examples=60)
def test_any_histories_give_finite_forecasts(intervals, nominal_dose, way):
    count = len(intervals)
    readings, nominal = readings_of(intervals), np.full(count, nominal_dose)
    groups = ["even" if unit % 2 == 0 else "odd" for unit in range(count)]
    fit = fit_dose(readings, nominal, groups)
    posterior = fold_posterior(readings, nominal, prior_means(fit, groups), fit)
    for found in (posterior.mean, posterior.var, posterior.z, posterior.expected_ml):
        assert np.isfinite(found).all()
    assert (posterior.var > 0).all()
    day = np.full(count, 20_000.0)
    levels, sds = charged_levels(balances_of(intervals), np.full(count, way["level_ml"]), day)
    ahead = dose_ahead(posterior, fit, nominal, level_ml=levels, level_day=day, level_sd_ml=sds)
    slowing = Slowing(*(np.full(count, way[name]) for name in ("hazard", "share", "hazard")))
    days = dry_days(levels, ahead, way["quantile"], slowing)
    chance = chance_dry_before(levels, days, ahead, slowing)
    assert np.isfinite(days).all()
    assert (days >= 0).all()
    assert ((chance >= 0) & (chance <= 1)).all()
