"""Weibull lives fitted to rows of every kind.

Outside checks, beside each test: turbine cracks and motor insulation from the R package survival (files
tests/r_sas.Rout.save and tests/survreg1.Rout.save; read, and recomputed here), data of its sets cracks and imotor;
NIST e-Handbook 8.4.1.2; Meeker and Escobar, Statistical Methods for Reliability Data (SMRD), table 8.1 and chapter 7;
diesel generator fans, set genfan of survival. The expected values of the last four are from memory and were recomputed
here, not read in the books.
"""

import contextlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servicing.rules.lifetimes.cells import Cells, as_cells, collapse
from servicing.rules.lifetimes.likelihood import group_terms, points_of
from servicing.rules.lifetimes.weibull import Prior, fit_weibull
from servicing.rules.nonsense import Nonsense

INF = math.inf
EXPONENTIAL = Prior((0.0,), (INF,), log_shape_mean=0.0, log_shape_sd=1e-7)

CRACK_DAYS = [186, 606, 902, 1077, 1209, 1377, 1592, 1932]
CRACKS = as_cells([0, *CRACK_DAYS], [*CRACK_DAYS, INF], count=[5, 16, 12, 18, 18, 2, 6, 17, 73])

MOTOR_HOURS = np.array([
    *[8064] * 10, 1764, 2772, 3444, 3542, 3780, 4860, 5196, 5448, 5448, 5448,
    408, 408, 1344, 1344, 1440, *[1680] * 5, 408, 408, 504, 504, 504, *[528] * 5,
])  # fmt: skip
MOTOR_FAILED = np.repeat([False, True, False, True, False, True, False], [10, 7, 3, 5, 5, 5, 5])

SHOCK_FAILED_KM = [6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490]
SHOCK_SOUND_KM = [
    6950, 7820, 8790, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12870, 13330, 13470, 14040, 17540, 17890, 18450,
    18960, 18980, 19410, 20100, 20150, 20320, 23490, 27410, 27890, 28100,
]  # fmt: skip

FAN_FAILED_HOURS = [450, 1150, 1150, 1600, 2070, 2070, 2080, 3100, 3450, 4600, 6100, 8750]
FAN_SOUND_HOURS = [
    460, 1560, 1660, *[1850] * 5, *[2030] * 3, 2200, *[3000] * 4, 3200, 3750, 3750, *[4150] * 4, *[4300] * 4, *[4850] * 4,
    *[5000] * 3, *[6100] * 3, 6300, 6450, 6450, 6700, 7450, 7800, 7800, 8100, 8100, 8200, *[8500] * 3, 8750, 8750,
    9400, 9900, *[10100] * 3, 11500,
]  # fmt: skip


def seen(failed, going_on):
    """Lives whose end was seen, and lives that go on."""
    return as_cells([*failed, *going_on], [*failed, *[INF] * len(going_on)])


def test_turbine_cracks_found_at_inspections():
    # R survival, tests/r_sas.Rout.save; data: Nelson 1982, p. 415.
    fit = fit_weibull(CRACKS)
    errors = np.sqrt(np.diag(fit.covariance))
    quantiles = [math.exp(fit.log_quantile(share)[0]) for share in (0.01, 0.1, 0.5, 0.8)]
    assert (fit.lives, fit.failures) == (167, 94)
    assert fit.log_scale() == pytest.approx(7.6880, abs=5e-5)
    assert -fit.log_shape == pytest.approx(-0.3953, abs=5e-5)
    assert errors == pytest.approx([0.0744, 0.0987], abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-309.6, abs=0.05)
    assert quantiles == pytest.approx([98.47183, 479.31737, 1704.71015, 3006.43572], abs=1e-3)


def test_motor_insulation_with_temperature_as_covariate():
    # R survival, tests/survreg1.Rout.save, survreg(Surv(time, status) ~ temp, imotor) and its quantiles at 130 degrees.
    code = np.repeat([0, 1, 2, 3], 10)
    cells = as_cells(MOTOR_HOURS, np.where(MOTOR_FAILED, MOTOR_HOURS, INF), code=code)
    fit = fit_weibull(cells, np.array([[1, 150], [1, 170], [1, 190], [1, 220]]))
    assert fit.coefficients == pytest.approx([16.31852, -0.04531], abs=5e-6)
    assert -fit.log_shape == pytest.approx(-1.09564, abs=5e-6)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.62296, 0.00319, 0.21480], abs=5e-6)
    assert fit.log_likelihood == pytest.approx(-147.4, abs=0.05)
    assert fit.log_quantile(0.5, (1, 130)) == pytest.approx((10.306068, 0.2135247), abs=1e-6)
    assert fit.log_quantile(0.1, (1, 130)) == pytest.approx((9.676248, 0.2202088), abs=1e-6)


def test_ten_failures_and_ten_units_going_on_at_500_hours():
    # NIST e-Handbook 8.4.1.2: shape 1.7208, scale 606.5280, log likelihood -75.135 (from memory, recomputed).
    fit = fit_weibull(seen([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10))
    assert fit.shape == pytest.approx(1.7208, abs=5e-5)
    assert fit.scale() == pytest.approx(606.5280, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-75.135, abs=1e-3)


def test_shock_absorbers():
    # SMRD table 8.1 (from memory, recomputed).
    fit = fit_weibull(seen(SHOCK_FAILED_KM, SHOCK_SOUND_KM))
    scale_error, shape_error = np.sqrt(np.diag(fit.covariance))
    assert fit.log_scale() == pytest.approx(10.23, abs=5e-3)
    assert 1 / fit.shape == pytest.approx(0.3164, abs=5e-5)
    assert fit.scale() == pytest.approx(27719, abs=1)
    assert fit.shape == pytest.approx(3.16, abs=5e-3)
    assert scale_error == pytest.approx(0.1099, abs=1e-4)
    assert shape_error / fit.shape == pytest.approx(0.0732, abs=1e-4)


@pytest.mark.parametrize(
    ("counts", "mean_life", "error", "digit"),
    [
        ([1609, 2424, 1770, 1306, 1213, 1528, 354, 16], 596.3, 6.084, (0.05, 0.001)),
        ([41, 44, 24, 32, 29, 21, 9, 0], 572.3, 41.72, (0.05, 0.01)),
        ([3, 7, 4, 1, 3, 2, 0, 0], 440.2, 101.0, (0.05, 0.1)),
    ],
)
def test_alpha_particles_counted_between_times_with_the_shape_held_at_1(counts, mean_life, error, digit):
    # SMRD chapter 7, Berkson's americium data, exponential (from memory, recomputed).
    edges = np.array([0, 100, 300, 500, 700, 1000, 2000, 4000, INF])
    counted = np.array(counts) > 0
    fit = fit_weibull(
        as_cells(edges[:-1][counted], edges[1:][counted], count=np.array(counts)[counted]), prior=EXPONENTIAL
    )
    assert fit.scale() == pytest.approx(mean_life, abs=digit[0])
    assert fit.scale() * math.sqrt(fit.covariance[0, 0]) == pytest.approx(error, abs=digit[1])


def test_fans_of_diesel_generators():
    # Data: set genfan of R survival (read). Exponential: total time over failures, 344,440 h / 12. Nelson prints 28,701 h,
    # the Weibull's scale 26,297 h and shape 1.058 are remembered; both recomputed.
    fans = seen(FAN_FAILED_HOURS, FAN_SOUND_HOURS)
    assert (fans.lives, fans.failures, float((fans.left * fans.count).sum())) == (70, 12, 344_440)
    assert fit_weibull(fans, prior=EXPONENTIAL).scale() == pytest.approx(344_440 / 12, rel=1e-6)
    assert fit_weibull(fans).scale() == pytest.approx(26_297, rel=1e-4)
    assert fit_weibull(fans).shape == pytest.approx(1.058, abs=5e-4)


def test_the_slopes_and_curvatures_are_those_of_the_value():
    # Against central differences of the value; rows of every kind, two groups.
    cells = as_cells(
        [0, 0, 300, 420, 510, 200, 333, 640],
        [30, 365, 331, INF, 510, INF, 333, 671],
        entry=[0, 0, 100, 250, 0, 199, 40, 0],
        code=[0, 1, 0, 1, 0, 1, 1, 0],
        count=[2, 1, 7, 30, 1, 4, 2, 3],
    )
    points = points_of(cells)
    mu, log_shape = np.array([6.2, 5.9]), np.array([0.7, 0.2])
    value, by_mu, by_shape, mu_mu, mu_shape, shape_shape = group_terms(points, mu, log_shape)
    step = 1e-5
    right, left = (group_terms(points, mu + move, log_shape) for move in (step, -step))
    more, less = (group_terms(points, mu, log_shape + move) for move in (step, -step))
    assert by_mu == pytest.approx((right[0] - left[0]) / (2 * step), rel=1e-7)
    assert by_shape == pytest.approx((more[0] - less[0]) / (2 * step), rel=1e-7)
    assert mu_mu == pytest.approx((right[1] - left[1]) / (2 * step), rel=1e-7)
    assert mu_shape == pytest.approx((more[1] - less[1]) / (2 * step), rel=1e-7)
    assert shape_shape == pytest.approx((more[2] - less[2]) / (2 * step), rel=1e-7)
    assert np.isfinite(value).all()


def test_days_counted_give_the_same_curve_as_the_rows():
    draws = np.random.default_rng(11)
    life = 500 * draws.weibull(2.5, 400)
    left = np.floor(life / 30) * 30
    right = np.where(left >= 540, INF, left + 30)
    left = np.minimum(left, 540)
    counted = collapse(left, right)
    assert len(counted.left) < 25
    assert counted.lives == 400
    by_rows, by_cells = fit_weibull(as_cells(left, right)), fit_weibull(counted)
    assert by_cells.scale() == pytest.approx(by_rows.scale(), rel=1e-9)
    assert by_cells.shape == pytest.approx(by_rows.shape, rel=1e-9)
    assert by_cells.covariance == pytest.approx(by_rows.covariance, rel=1e-7)


def test_a_life_that_goes_on_from_its_entry_says_nothing_more():
    # S(entry) / S(entry) = 1: a unit taken over and not seen again changes neither curve nor errors.
    more = as_cells(
        [*CRACKS.left, 800], [*CRACKS.right, INF], entry=[0.0] * 9 + [800.0], count=[*CRACKS.count, 50]
    )
    fit, without = fit_weibull(more), fit_weibull(CRACKS)
    assert fit.scale() == pytest.approx(without.scale(), rel=1e-9)
    assert fit.shape == pytest.approx(without.shape, rel=1e-9)
    assert fit.covariance == pytest.approx(without.covariance, rel=1e-6)


def test_lives_watched_late_are_not_taken_for_long_ones():
    draws = np.random.default_rng(5)
    life = 500 * draws.weibull(2.0, 4_000)
    entry = draws.uniform(0, 600, 4_000)
    watched = life > entry
    left = np.floor(life[watched] / 10) * 10
    late = as_cells(np.maximum(left, entry[watched]), left + 10, entry=entry[watched])
    unaware = as_cells(late.left, late.right)
    assert fit_weibull(late).scale_interval()[1] < 500 < fit_weibull(late).scale_interval()[2]
    assert fit_weibull(unaware).scale_interval()[1] > 520


def test_a_prior_decides_where_lives_do_not():
    prior = Prior((math.log(600),), (0.5,), log_shape_sd=0.4)
    fit = fit_weibull(as_cells([], []), prior=prior)
    assert fit.scale() == pytest.approx(600, rel=1e-9)
    assert fit.shape == pytest.approx(2, rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.5, 0.4], rel=1e-9)
    longer = fit_weibull(as_cells([400], [INF], count=[20]), prior=prior)
    assert longer.scale() > 700


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        pytest.param(as_cells([], []), "No failure", id="no lives"),
        pytest.param(as_cells([100, 200], [INF, INF]), "No failure", id="no failures"),
        pytest.param(
            as_cells([300], [330], count=[40]), "decide no life curve|so alike", id="all in one cell"
        ),
        pytest.param(as_cells([300] * 5, [300] * 5), "decide no life curve|so alike", id="identical lives"),
        pytest.param(as_cells([300], [300]), "decide no life curve|so alike", id="one life"),
        pytest.param(
            as_cells([0, 0], [30, 60]), "decide no life curve|so alike", id="ended before every look"
        ),
    ],
)
def test_lives_that_decide_no_curve_are_refused(cells, said):
    with pytest.raises(Nonsense, match=said):
        fit_weibull(cells)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (([200], [100]), "before it was last seen good"),
        (([-1], [100]), "not an age"),
        (([INF], [INF]), "not an age"),
        (([math.nan], [100]), "not an age"),
        (([10], [math.nan]), "before it was last seen good"),
        (([0], [0]), "ended at age 0"),
        (([10], [20], 11), "watched from after"),
        (([10], [20], -1), "watched from after"),
        (([10], [10], 10), "moment from which"),
        (([10], [20], 0, -1), "negative number"),
        (([10], [20], 0, 0, 0), "not above 0"),
    ],
)
def test_lives_that_cannot_be_are_refused(row, said):
    with pytest.raises(Nonsense, match=said):
        as_cells(*row)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (([200], [100]), "before it was last seen good"),
        (([-1], [100]), "below 100 years"),
        (([math.nan], [100]), "before it was last seen good"),
        (([0], [40_000]), "over 100 years"),
        (([40_000], [INF]), "below 100 years"),
        (([10], [20], [15]), "watched from after"),
        (([10], [10], [10]), "moment from which"),
        (([10], [20], None, [-1]), "negative number"),
        (([10], [20], None, [131_072]), "131,072"),
    ],
)
def test_days_that_cannot_be_are_not_counted(rows, said):
    with pytest.raises(Nonsense, match=said):
        collapse(*rows)


def test_a_group_without_a_row_in_the_design_is_refused():
    with pytest.raises(Nonsense, match="Group 2"):
        fit_weibull(as_cells([10, 20], [30, 40], code=[0, 2]), np.ones((2, 1)))
    with pytest.raises(Nonsense, match="1 coefficients, the design 2"):
        fit_weibull(as_cells([10], [30]), np.ones((1, 2)), Prior((0.0,), (1.0,)))


def test_arrays_of_different_lengths_are_refused():
    one, two = np.ones(1), np.ones(2)
    with pytest.raises(Nonsense, match="different lengths"):
        Cells(one, two, one, np.zeros(1, np.int64), one)


def test_a_share_outside_0_to_1_has_no_age():
    with pytest.raises(Nonsense, match="between 0 and 1"):
        fit_weibull(CRACKS).quantile(1.0)


def test_an_interval_of_the_scale_holds_it_and_widens_with_its_level():
    fit = fit_weibull(CRACKS)
    middle, low, high = fit.scale_interval()
    assert (low, middle, high) == pytest.approx(
        [math.exp(7.68800 + z * 0.07443) for z in (-1.95996, 0, 1.95996)], rel=1e-4
    )
    assert fit.shape_interval(level=0.8)[1] > fit.shape_interval()[1]
    assert fit.quantile(0.5, level=0.8)[2] < fit.quantile(0.5)[2]


ages = st.integers(0, 900)
rows = st.lists(
    st.tuples(ages, st.one_of(st.integers(1, 60), st.just(0), st.none()), ages), min_size=1, max_size=12
)


@given(rows)
@settings(max_examples=60)
def test_under_a_prior_any_lives_give_a_curve(drawn):
    left = np.array([age + 1 for age, _, _ in drawn], float)
    right = np.array([INF if wait is None else age + 1 + wait for age, wait, _ in drawn])
    entry = np.minimum([entry for _, _, entry in drawn], left - 1)
    fit = fit_weibull(as_cells(left, right, entry), prior=Prior((math.log(600),), (0.5,), log_shape_sd=0.4))
    assert np.isfinite([fit.scale(), fit.shape, fit.log_likelihood]).all()
    assert (np.linalg.eigvalsh(fit.covariance) > 0).all()


@given(rows)
@settings(max_examples=60)
def test_alone_any_lives_give_a_curve_or_a_refusal_never_a_nan(drawn):
    left = np.array([age + 1 for age, _, _ in drawn], float)
    right = np.array([INF if wait is None else age + 1 + wait for age, wait, _ in drawn])
    figures = [1.0]
    with contextlib.suppress(Nonsense):
        fit = fit_weibull(collapse(left, right))
        figures = [*fit.scale_interval(), *fit.shape_interval(), fit.log_likelihood]
    assert np.isfinite(figures).all()


@given(st.lists(st.tuples(st.floats(0, 2_000), st.floats(0, 40)), min_size=1, max_size=30), st.data())
def test_counting_keeps_every_life_and_its_days(drawn, data):
    left = np.array([start for start, _ in drawn])
    right = np.array([start + wait for start, wait in drawn])
    goes_on = np.array(data.draw(st.lists(st.booleans(), min_size=len(drawn), max_size=len(drawn))))
    right = np.where(goes_on, INF, right)
    code = np.arange(len(drawn)) % 3
    cells = collapse(left, right, left / 2, code)
    assert cells.lives == len(drawn)
    assert cells.failures == int((~goes_on).sum())
    assert (cells.left * cells.count).sum() == pytest.approx(left.sum(), abs=len(drawn))
    assert (np.bincount(cells.code, cells.count, 3) == np.bincount(code, minlength=3)).all()
