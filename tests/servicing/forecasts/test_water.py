"""What physics allows a wick-fed unit: viscosity, surface tension, capillary rise, wetting, siphon, headspace.

Sources: IAPWS R12-08 and R1-76 check values (from memory, recomputed with a public implementation; check before
printing); IAPWS SR6-08's short formula for liquid water (from memory) as a second way to the viscosity; scipy's solver
for the wetting; the hardness scale of the US Geological Survey (published, read). Flows of a unit: our own arithmetic.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from servicing.rules.nonsense import Nonsense
from servicing.rules.water import (
    GRAVITY,
    Liquid,
    capillary_rise_m,
    density_kg_per_m3,
    hardness_class,
    pushed_out_ml,
    rate_factor,
    siphon_ml_per_hour,
    surface_tension_n_per_m,
    viscosity_mpas,
    viscosity_upas,
    wetted_m,
    wetted_without_gravity_m,
)

WATER = Liquid(tension_n_per_m=0.0727, contact_deg=0, viscosity_pas=1.0016e-3, density_kg_per_m3=998)
RADIUS_M = 20e-6


def test_viscosity_meets_the_release_without_critical_enhancement():
    # IAPWS R12-08, table 4: from memory, recomputed; check before printing.
    found = viscosity_upas([298.15, 298.15, 373.15], [998, 1200, 1000])

    assert found == pytest.approx([889.735100, 1437.649467, 307.883622], abs=1e-6)


def test_viscosity_of_liquid_water_by_temperature():
    # Recomputed with a public implementation of IAPWS R12-08 at one atmosphere.
    found = viscosity_mpas([5, 10, 15, 20, 25, 30, 35, 40])

    assert found == pytest.approx([1.5182, 1.3059, 1.1376, 1.0016, 0.8900, 0.7972, 0.7191, 0.6527], abs=6e-5)


def test_viscosity_agrees_with_the_short_formula_for_liquid_water():
    # IAPWS SR6-08, viscosity at 0.1 MPa: from memory, check before printing.
    celsius = np.linspace(0.5, 95, 40)
    warmth = (celsius + 273.15) / 300
    short = 280.68 * warmth**-1.9 + 511.45 * warmth**-7.7 + 61.131 * warmth**-19.6 + 0.45903 * warmth**-40

    assert viscosity_mpas(celsius) * 1000 == pytest.approx(short, rel=3e-4)


def test_water_is_densest_at_four_degrees():
    # 999.97, 998.20, 997.05 kg/m3 at 4, 20, 25 C: from memory, check before printing.
    assert density_kg_per_m3([4, 20, 25]) == pytest.approx([999.97, 998.20, 997.05], abs=0.01)


def test_a_warm_room_drips_faster_than_a_cold_one():
    # Our own, from the viscosities above.
    assert rate_factor([5, 15, 20, 25, 30]) == pytest.approx([0.66, 0.88, 1, 1.125, 1.256], abs=0.0009)


def test_surface_tension_meets_the_release():
    # IAPWS R1-76: from memory, recomputed; check before printing.
    found = 1000 * surface_tension_n_per_m([20, 25, 50, 100])

    assert found == pytest.approx([72.74, 71.97, 67.94, 58.91], abs=0.01)


def test_a_wick_is_wetted_as_the_differential_equation_says():
    # Fries & Dreyer 2008; 0.174579, 0.19050 and 0.74282 m recomputed; the equation solved by scipy.
    pull = WATER.tension_n_per_m * RADIUS_M / (4 * WATER.viscosity_pas)
    weight = WATER.density_kg_per_m3 * GRAVITY * RADIUS_M**2 / (8 * WATER.viscosity_pas)
    start = float(wetted_m(1e-3, WATER, RADIUS_M))
    solved = solve_ivp(lambda _, h: pull / h - weight, (1e-3, 50), [start], rtol=1e-10, atol=1e-12)

    assert wetted_m(50, WATER, RADIUS_M) == pytest.approx(0.174579, abs=1e-6)
    assert wetted_m(50, WATER, RADIUS_M) == pytest.approx(solved.y[0, -1], rel=1e-6)
    assert wetted_without_gravity_m(50, WATER, RADIUS_M) == pytest.approx(0.19050, abs=1e-5)
    assert capillary_rise_m(WATER, RADIUS_M) == pytest.approx(0.74282, abs=1e-5)
    assert wetted_m(1e8, WATER, RADIUS_M) == pytest.approx(capillary_rise_m(WATER, RADIUS_M), rel=1e-9)


def test_the_first_moments_of_wetting_join_the_rest_smoothly():
    seconds = np.geomspace(1e-6, 1e-2, 400)
    share = wetted_m(seconds, WATER, RADIUS_M) / wetted_without_gravity_m(seconds, WATER, RADIUS_M)

    assert np.all(np.diff(share) < 1e-6)
    assert share == pytest.approx(1, abs=0.002)


def test_a_new_wick_is_primed_within_seconds_so_no_drip_has_another_cause():
    # 5 cm of rise; our own.
    assert wetted_m(60, WATER, RADIUS_M) > 0.05


def test_a_clean_wide_wick_siphons_far_more_than_a_unit_drips():
    # Our own example: 8.8 mL/h; a month's cartridge of 150 to 1,000 mL needs 0.208 to 1.39 mL/h (V / 720 h).
    wide = {"permeability_m2": 2e-11, "area_m2": 0.5e-4, "length_m": 0.08}
    flow = siphon_ml_per_hour(WATER, head_m=0.02, **wide)
    needed = np.array([150, 250, 400, 500, 750, 1000]) / 720

    assert flow == pytest.approx(8.8, abs=0.05)
    assert needed == pytest.approx([0.208, 0.347, 0.556, 0.694, 1.04, 1.39], abs=0.003)
    assert flow / needed == pytest.approx([42, 25, 16, 12.7, 8.4, 6.3], rel=0.02)
    assert siphon_ml_per_hour(WATER, head_m=-0.01, **wide) == 0


def test_a_warming_headspace_pushes_out_about_a_days_dose():
    # Our own; ideal gas: 300 mL at 20 C, 10 K warmer, about 10 mL.
    assert pushed_out_ml(300, 20, 10) == pytest.approx(10.2, abs=0.05)


@pytest.mark.parametrize(
    ("mg_per_l", "name"),
    [
        (None, "unknown"),
        (0, "soft"),
        (60, "soft"),
        (61, "moderately hard"),
        (120, "moderately hard"),
        (121, "hard"),
        (180, "hard"),
        (181, "very hard"),
        (900, "very hard"),
    ],
)
def test_hardness_has_the_names_of_the_geological_survey(mg_per_l, name):
    assert hardness_class(mg_per_l) == name


@pytest.mark.parametrize(
    "refused",
    [
        pytest.param(lambda: hardness_class(-1), id="negative hardness"),
        pytest.param(lambda: hardness_class(float("nan")), id="no hardness"),
        pytest.param(lambda: viscosity_mpas(-1), id="ice"),
        pytest.param(lambda: viscosity_mpas([20, float("nan")]), id="no temperature"),
        pytest.param(lambda: viscosity_upas(300, -1), id="negative density"),
        pytest.param(lambda: surface_tension_n_per_m(400), id="above the critical point"),
        pytest.param(lambda: Liquid(0.07, 200, 1e-3, 998), id="an angle beyond half a turn"),
        pytest.param(lambda: Liquid(0.07, 0, 0, 998), id="a liquid without viscosity"),
        pytest.param(lambda: wetted_m(5, Liquid(0.07, 90, 1e-3, 998), 1e-5), id="nothing is drawn in"),
        pytest.param(lambda: wetted_m(-5, WATER, 1e-5), id="before the start"),
        pytest.param(lambda: capillary_rise_m(WATER, 0), id="no capillary"),
        pytest.param(lambda: pushed_out_ml(-1, 20, 5), id="negative headspace"),
        pytest.param(lambda: pushed_out_ml(300, 20, -5), id="a cooling pushes nothing out"),
        pytest.param(
            lambda: siphon_ml_per_hour(
                WATER, permeability_m2=1e-11, area_m2=1e-4, head_m=float("inf"), length_m=0.1
            ),
            id="endless head",
        ),
    ],
)
def test_nonsense_is_refused_in_a_sentence(refused):
    with pytest.raises(Nonsense, match=r"\.$"):
        refused()


@given(st.floats(0, 100), st.floats(0, 1e9), st.floats(1e-7, 1e-2))
def test_nothing_in_range_gives_no_number(celsius, seconds, radius_m):
    tension = float(surface_tension_n_per_m(celsius))
    liquid = Liquid(tension, 30, float(viscosity_mpas(celsius)) / 1000, float(density_kg_per_m3(celsius)))

    assert 0.25 < rate_factor(celsius) < 5
    assert 0 <= wetted_m(seconds, liquid, radius_m) <= capillary_rise_m(liquid, radius_m) * (1 + 1e-9)
