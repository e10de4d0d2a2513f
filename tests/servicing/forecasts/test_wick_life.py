"""One operator's wick life by kind of site, and the chance that a wick fails before the next visit.

Outside checks: the chance against the Weibull's own formula where the fit is certain, and against a fine grid over the
parameters, written here, where it is not; fitted scales and ratios against the truth that drawn lives (fixed seeds) came
from. Priors are judgement, no source.
"""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from servicing.rules.lifetimes.cells import as_cells, collapse, rows_of_wicks
from servicing.rules.lifetimes.condition import PRIOR_LAWS, ConditionLaw, condition_laws, law_ratio
from servicing.rules.lifetimes.wick_life import (
    PRIOR_WICK,
    WickFit,
    conditional_failure,
    failure_chance,
    fit_wick_life,
    hazard_between,
)
from servicing.rules.nonsense import Nonsense

INF = math.inf
OFFICE, SCHOOL, ARENA = (
    ("office", "soft", "citric"),
    ("school", "soft", "citric"),
    ("arena", "hard", "citric"),
)
CERTAIN = WickFit(
    coefficients=(math.log(600), 0.0),
    log_shape=math.log(2),
    covariance=((1e-12, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 1e-12)),
    levels=("site:office",),
)
ONE = np.ones((1, 3), np.int64)  # a wick all of whose levels are certain
DAY = 86_400


def looked_at(draws, scale_days, shape=2.2):
    """Rows of lives looked at every 30 days until 540."""
    life = scale_days * draws.weibull(shape, len(scale_days))
    seen = np.minimum(np.floor(life / 30) * 30, 540)
    return seen, np.where(seen >= 540, INF, seen + 30)


def office_and_school(office_days=650.0, school_days=430.0, offices=900, schools=600):
    code = np.repeat([0, 1], [offices, schools])
    lives = looked_at(np.random.default_rng(12), np.where(code == 0, office_days, school_days))
    return fit_wick_life(collapse(*lives, code=code), [OFFICE, SCHOOL])


def test_kinds_of_sites_get_scales_of_their_own_and_one_shape():
    fit = office_and_school()
    office, school = fit.scale_days(fit.places([OFFICE, SCHOOL]))
    assert office == pytest.approx(650, rel=0.06)
    assert school == pytest.approx(430, rel=0.06)
    assert fit.shape == pytest.approx(2.2, rel=0.08)
    assert fit.levels == ("hardness:soft", "liquid:citric", "site:office", "site:school")
    assert (fit.based_on_wicks, fit.from_prior) == (1500, False)


def test_a_kind_of_site_with_few_wicks_stays_near_the_operators_typical_scale():
    code = np.repeat([0, 1], [900, 4])
    draws = np.random.default_rng(12)
    left, right = looked_at(draws, np.full(904, 600.0))
    left[900:], right[900:] = 60, 90
    fit = fit_wick_life(collapse(left, right, code=code), [OFFICE, SCHOOL])
    office, school = fit.scale_days(fit.places([OFFICE, SCHOOL]))
    # Alone, with the fleet's shape, the four would say 84 days or so.
    assert 2 * 84 < school < office


def test_an_unseen_kind_of_site_has_the_typical_scale_and_a_wider_interval():
    fit = office_and_school()
    seen, unseen = fit.places([OFFICE, ARENA])
    median = fit.quantile_days(0.5, np.array([seen, unseen]))
    assert median[2][1] / median[1][1] > 2 * median[2][0] / median[1][0]
    assert np.exp(fit.coefficients[0]) < 700
    chance, low, high = conditional_failure(fit, np.array([seen, unseen]), 300, 30)
    assert high[1] - low[1] > 2 * (high[0] - low[0])
    assert (low < chance).all()
    assert (chance < high).all()


@pytest.mark.parametrize("failures", [0, 4])
def test_with_under_five_failures_the_answer_is_the_prior_and_says_so(failures):
    lives = as_cells([100] * 50, [130] * failures + [INF] * (50 - failures))
    fit = fit_wick_life(lives, [OFFICE])
    assert fit == replace(PRIOR_WICK, based_on_wicks=50, based_on_failures=failures)
    assert fit.from_prior
    assert fit.scale_days(fit.places([OFFICE]))[0] == pytest.approx(600)


def test_from_five_failures_on_an_operator_has_its_own_curve():
    fit = fit_wick_life(as_cells([100] * 50, [130] * 5 + [INF] * 45), [OFFICE])
    assert not fit.from_prior
    assert fit.based_on_failures == 5
    assert fit.scale_days(fit.places([OFFICE]))[0] < 600


def test_no_wicks_at_all_give_the_prior():
    assert fit_wick_life(as_cells([], []), []) == PRIOR_WICK


def test_a_certain_curve_gives_the_chance_of_its_formula():
    # 1 - exp(-[(a + t)^b - a^b] / s^b), s = 600 days, b = 2.
    expected = 1 - math.exp(-(530**2 - 500**2) / 600**2)
    chance, low, high = conditional_failure(CERTAIN, ONE, 500, 30)
    assert chance == pytest.approx(expected, abs=1e-5)
    assert high - low == pytest.approx(0, abs=1e-4)
    assert hazard_between(CERTAIN, ONE, 500, 30) == pytest.approx(-math.log(1 - expected))
    doubled, _, _ = conditional_failure(CERTAIN, ONE, 500, 30, 2.0)
    assert doubled == pytest.approx(1 - (1 - expected) ** 2, abs=1e-5)


@pytest.mark.parametrize(("age", "ahead"), [(0, 30), (30, 30), (100, 30), (300, 30), (500, 30), (500, 90)])
def test_an_uncertain_curve_is_averaged_over_what_it_leaves_open(age, ahead):
    # A wick that reached its age tells for longer lives. Grid: 401 by 401 points within six sds, weights by the normal.
    steps = np.linspace(-6, 6, 401)
    weight = np.outer(*[np.exp(-steps * steps / 2)] * 2)
    scale_sd = math.sqrt(0.5**2 + 3 * 0.3**2)
    log_scale, shape = math.log(600) + scale_sd * steps[:, None], np.exp(math.log(2) + 0.4 * steps[None, :])

    def working(days):
        return (
            weight * np.exp(-np.exp(np.minimum(shape * (math.log(max(days, 1e-9)) - log_scale), 50)))
        ).sum()

    chance, low, high = conditional_failure(PRIOR_WICK, PRIOR_WICK.places([OFFICE]), age, ahead)
    assert chance == pytest.approx(1 - working(age + ahead) / working(age), rel=0.05)
    assert low < chance < high


def test_the_chance_of_a_curve_with_lives_behind_it_is_near_that_of_its_best_parameters():
    fit = office_and_school()
    places = fit.places([OFFICE, SCHOOL])
    chance, low, high = conditional_failure(fit, places, 400, 30)
    plain = 1 - np.exp(-hazard_between(fit, places, 400, 30))
    truth = 1 - np.exp(-((430 / np.array([650, 430])) ** 2.2 - (400 / np.array([650, 430])) ** 2.2))
    assert chance == pytest.approx(plain, rel=0.02)
    assert (low < truth).all()
    assert (truth < high).all()


def test_a_wick_without_ageing_fails_at_one_rate():
    ageless = replace(CERTAIN, log_shape=0.0)
    chance, _, _ = conditional_failure(ageless, np.repeat(ONE, 3, axis=0), [0, 100, 1000], 30)
    assert chance == pytest.approx([chance[0]] * 3, rel=1e-3)


def test_a_wicks_figures_do_not_depend_on_the_others_in_the_batch():
    fit = office_and_school()
    draws = np.random.default_rng(0)
    labels = [(OFFICE, SCHOOL, ARENA)[kind] for kind in draws.integers(0, 3, 500)]
    age, ahead, ratio = draws.uniform(0, 900, 500), draws.uniform(0, 60, 500), draws.uniform(0.1, 9, 500)
    together = np.array(conditional_failure(fit, fit.places(labels), age, ahead, ratio))
    assert (failure_chance(fit, fit.places(labels), age, ahead, ratio) == together[0]).all()
    alone = [
        [one[0] for one in conditional_failure(fit, fit.places([labels[at]]), age[at], ahead[at], ratio[at])]
        for at in range(0, 500, 25)
    ]
    assert (together[:, ::25] == np.array(alone).T).all()


def test_a_fit_is_kept_as_plain_json():
    fit = replace(
        office_and_school(), condition_laws={"good": ConditionLaw(0.5), "slow": ConditionLaw(4.0, -1.5, 0.5)}
    )
    back = WickFit.from_json(json.loads(json.dumps(fit.to_json())))
    assert back.to_json() == fit.to_json()
    places = fit.places([OFFICE, ARENA])
    assert conditional_failure(back, places, 300, 30)[0] == pytest.approx(
        conditional_failure(fit, places, 300, 30)[0], abs=1e-6
    )
    with pytest.raises(Nonsense, match="method wick-0"):
        WickFit.from_json({**fit.to_json(), "method": "wick-0"})


@pytest.mark.parametrize(
    ("age", "ahead", "ratio"),
    [(-1, 30, 1), (30, -1, 1), (30, 30, -1), (math.nan, 30, 1), (30, INF, 1), (30, 30, math.nan)],
)
def test_ages_and_ratios_that_cannot_be_are_refused(age, ahead, ratio):
    with pytest.raises(Nonsense):
        conditional_failure(PRIOR_WICK, PRIOR_WICK.places([OFFICE]), age, ahead, ratio)


def test_a_group_of_wicks_without_label_and_a_share_outside_0_to_1_are_refused():
    with pytest.raises(Nonsense, match="Group 1"):
        fit_wick_life(as_cells([10], [20], code=[1]), [OFFICE])
    with pytest.raises(Nonsense, match="between 0 and 1"):
        PRIOR_WICK.quantile_days(0, PRIOR_WICK.places([OFFICE]))


def test_wicks_as_written_become_lives():
    left, right = rows_of_wicks(
        [[0, 10 * DAY, 40 * DAY, 40 * DAY], [DAY, DAY, None, 90 * DAY], [0, DAY, DAY, DAY]]
    )
    assert left.tolist() == [10, 0, 1]
    assert right.tolist() == [40, INF, pytest.approx(1 + 1 / DAY)]
    assert [one.tolist() for one in rows_of_wicks([])] == [[], []]
    assert collapse(left, right).right.tolist() == [INF, 2, 40]


@pytest.mark.parametrize("wick", [[10, 5, None, 20], [0, 10, 5, 20]])
def test_wicks_written_against_time_are_refused(wick):
    with pytest.raises(Nonsense):
        rows_of_wicks([wick])


def test_without_looks_the_laws_are_the_priors():
    found = condition_laws([], [], [], [], [])
    assert {word: tuple(law) for word, law in found.items()} == {
        word: pytest.approx(tuple(law)) for word, law in PRIOR_LAWS.items()
    }


def test_frequent_failures_give_back_the_law_they_were_drawn_with():
    draws = np.random.default_rng(7)
    hazard, relative = draws.uniform(0.02, 0.3, 40_000), np.exp(draws.normal(0, 1, 40_000))
    days = draws.choice([28.0, 35.0, 61.0], 40_000)
    failed = draws.random(40_000) < -np.expm1(-6 * relative**-0.8 * (days / 30) ** 0.7 * hazard)

    found = condition_laws(["slow"] * 40_000, hazard, relative, days, failed)["slow"]

    assert found.ratio == pytest.approx(6, rel=0.05)
    assert found.by_age == pytest.approx(-0.8, abs=0.05)
    assert found.by_time == pytest.approx(0.7, abs=0.1)


def test_a_handful_of_looks_moves_the_law_a_little():
    found = condition_laws(["slow"] * 4, [0.1] * 4, [1.0] * 4, [30.0] * 4, [True, True, True, False])["slow"]
    assert 3 < found.ratio < 6
    assert (found.by_age, found.by_time) == (0.0, 0.0), (
        "looks that are all alike tell nothing of age and time"
    )


def test_the_law_is_the_mode_that_a_general_purpose_optimiser_finds():
    # The same posterior, maximised by scipy's L-BFGS-B.
    draws = np.random.default_rng(11)
    hazard, relative = draws.uniform(0.01, 0.5, 300), np.exp(draws.normal(0, 1, 300))
    days, failed = draws.uniform(20, 70, 300), draws.random(300) < 0.4
    columns = np.column_stack([np.ones(300), np.log(relative), np.log(days / 30)])

    def against(at):
        met = hazard * np.exp(columns @ at)
        seen = np.where(failed, np.log(-np.expm1(-met)), -met).sum()
        return 0.5 * (at[0] / 0.45) ** 2 + 0.5 * (at[1] ** 2 + at[2] ** 2) - seen

    best = minimize(against, np.zeros(3), method="L-BFGS-B", options={"ftol": 1e-14, "gtol": 1e-9}).x
    found = condition_laws(["good"] * 300, hazard, relative, days, failed)["good"]
    assert [np.log(found.ratio), found.by_age, found.by_time] == pytest.approx(best, abs=1e-5)


def test_a_law_multiplies_the_hazard_by_its_powers():
    ratio = law_ratio(ConditionLaw(2.0, -1.0, 1.0), np.array([1.0, 0.5, 0.0]), np.array([30.0, 60.0, 30.0]))
    assert ratio[:2].tolist() == pytest.approx([2, 8])
    assert np.isfinite(ratio[2])


@pytest.mark.parametrize(
    ("condition", "expected", "days", "failed"),
    [
        (["odd"], [0.1], [30.0], [True]),
        (["good"], [-0.1], [30.0], [True]),
        (["good"], [math.nan], [30.0], [True]),
        (["good"], [0.1], [0.0], [True]),
        (["good"], [0.1, 0.2], [30.0], [True]),
    ],
)
def test_looks_that_cannot_be_are_refused(condition, expected, days, failed):
    with pytest.raises(Nonsense):
        condition_laws(condition, expected, [1.0] * len(expected), days, failed)


LOOK = st.tuples(
    st.sampled_from(sorted(PRIOR_LAWS)),
    st.floats(0, 50),
    st.floats(0, 50),
    st.floats(0.01, 4_000),
    st.booleans(),
)


@given(st.lists(LOOK, max_size=30))
def test_laws_are_always_finite_with_a_positive_ratio(looks):
    columns = [list(column) for column in zip(*looks, strict=True)] or [[], [], [], [], []]
    found = condition_laws(*columns)
    assert all(law.ratio > 0 and np.isfinite(law).all() for law in found.values())


wicks = st.lists(
    st.tuples(st.integers(0, 1500), st.one_of(st.integers(1, 60), st.none()), st.integers(0, 2)), max_size=25
)


@given(wicks, st.floats(0, 3_000), st.floats(0, 400), st.floats(0, 50))
@settings(max_examples=60)
def test_any_wicks_give_chances_between_0_and_1(drawn, age, ahead, ratio):
    left = np.array([float(start) for start, _, _ in drawn])
    right = np.array([INF if wait is None else start + wait for start, wait, _ in drawn])
    labels = [OFFICE, SCHOOL, ARENA]
    fit = fit_wick_life(collapse(left, right, code=[kind for _, _, kind in drawn]), labels)
    chance, low, high = conditional_failure(fit, fit.places(labels), age, ahead, ratio)
    assert ((low >= 0) & (low <= chance) & (chance <= high) & (high <= 1)).all()


def test_wicks_that_all_failed_in_one_cell_leave_a_curve_with_errors():
    fit = fit_wick_life(as_cells([300], [330], count=[400]), [OFFICE])
    chance, low, high = conditional_failure(fit, fit.places([OFFICE] * 3), [100, 295, 320], 10)
    assert fit.scale_days(fit.places([OFFICE]))[0] == pytest.approx(316, abs=12)
    assert np.isfinite([chance, low, high]).all()
    assert chance[0] < 1e-6 < chance[2]
