"""The outlook of a unit from its readings, its place and the operator's fits: what is advised, and why."""

from __future__ import annotations

import numpy as np
import pytest

from servicing.rules.dose.model import DoseFit
from servicing.rules.forecasting.fits import (
    PRIORS,
    DoseFits,
    Fits,
    WickFits,
    dose_fits_of,
    wick_fits_of,
)
from servicing.rules.forecasting.rows import outlook_rows
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen
from servicing.rules.lifetimes.condition import ConditionLaw
from servicing.rules.lifetimes.wick_life import WickFit

TERMS = ForecastTerms(
    dry_target=0.1,
    false_alarms_per_1000=2.0,
    wick_change_cost=8.0,
    wick_failure_cost=30.0,
    wick_down_day_cost=0.5,
    wick_wash_cost=3.0,
)
MONTH_S = 30 * 86_400
START_S = 1_767_258_000  # 1 January 2026, 09:00 UTC
START = 739_617.375  # the same as a day of the calendar in UTC
# Doses within a tenth of nominal, a wick that lasts some 500 days: a plausible operator, invented.
OWN = Fits(
    DoseFits(DoseFit(mean=0.0, between_sd=0.1, visit_sd=0.04, readings=900, units=90)),
    WickFits(
        WickFit(
            coefficients=(float(np.log(500.0)),),
            log_shape=float(np.log(3.0)),
            covariance=((0.0025, 0.0), (0.0, 0.01)),
            based_on_wicks=200,
            based_on_failures=60,
            condition_laws={
                "good": ConditionLaw(0.8),
                "slow": ConditionLaw(4.0),
                "unseen": ConditionLaw(1.0),
            },
        ),
        recovery=0.3,
    ),
)


def interval(month: int, left_ml: int, *, marks: str = "", reservoir_ml: int = 15) -> list:
    return [START_S + month * MONTH_S, MONTH_S, 295, left_ml, reservoir_ml, 0, marks]


def unit(*left_ml: int, **changed) -> UnitSeen:
    """A unit exchanged every 30 days in which so much was left each time; the last exchange was its last event."""
    last = START + 30 * len(left_ml)
    rows = [interval(month, left) for month, left in enumerate(left_ml, 1)]
    plain = UnitSeen(
        intervals=rows,
        group="school/C280",
        site_kind="school",
        hardness="hard",
        liquid="acid",
        dust="normal",
        nominal_ml_per_day=8.0,
        level_ml=295,
        level_at=last,
        charged_at=last,
        installed_at=START,
        wick_since=START,
        wick_since_s=START_S,
        wick_good_s=START_S + MONTH_S * len(left_ml),
        wick_condition="good" if left_ml else None,
        wick_checked=last,
        wick_washed=None,
        cleaned_at=None,
        next_on=int(last) + 30,
        after_on=int(last) + 60,
        opens_on=int(last) + 25,
        watch_on=int(START) + 420,
        limit_on=int(START) + 540,
    )
    return plain._replace(**changed)


def outlook(one: UnitSeen, fits: Fits = OWN, terms: ForecastTerms = TERMS) -> dict:
    return outlook_rows([one], fits, terms)[0]


def test_a_steady_unit_has_its_dose_its_interval_and_nothing_to_do():
    row = outlook(unit(40, 40, 40, 40))

    # 295 - 40 - 15 = 240 mL in 30 days; 295 mL last 37 days from 1 May, until 6 June.
    assert row["dose_ml_per_day"] == pytest.approx(8.0, abs=0.1)
    assert row["dry_earliest_on"] < row["dry_on"] < row["dry_latest_on"]
    assert "2026-06-04" <= row["dry_on"] <= "2026-06-08"
    assert row["empty_on"] < row["dry_on"]
    assert row["chance_dry"] < 0.05
    assert row["dry_advice"] == "in_time"
    assert (row["drift"], row["wick_advice"], row["wick_reason"]) == ("", "wait", "cost")
    assert row["basis"]["n"] == 4
    assert row["basis"]["prior"] is False


def test_a_wick_last_seen_slow_makes_a_dry_date_less_sure_and_later():
    good, slow = unit(40, 40, 40, 40), unit(40, 40, 40, 40, wick_condition="slow")

    assert outlook(slow)["dry_latest_on"] > outlook(good)["dry_latest_on"]
    assert outlook(slow)["wick_chance"] > 3 * outlook(good)["wick_chance"]


def test_a_long_pause_ahead_says_nothing_of_when_a_unit_is_dry():
    monthly = unit(40, 40, 40, 40, wick_condition="slow")
    # Once the liquid is used up, what becomes of the wick changes no dry date.
    paused = [monthly._replace(next_on=monthly.next_on + days) for days in (60, 120)]

    first, second = (outlook(one) for one in paused)

    assert first["dry_latest_on"] == second["dry_latest_on"]
    assert first["wick_chance"] < second["wick_chance"]


def test_a_thirsty_unit_must_be_seen_sooner_or_needs_a_larger_cartridge():
    sooner = outlook(unit(10, 10, 10, 10, level_ml=280))
    larger = outlook(unit(10, 10, 10, 10, level_ml=200))

    assert sooner["dry_advice"] == "sooner"
    assert larger["dry_advice"] == "larger"
    assert larger["latest_on"] < "2026-05-26" <= sooner["latest_on"] < "2026-05-31"
    assert larger["chance_dry"] > 0.9


def test_a_stricter_operator_is_told_an_earlier_latest_day():
    strict = ForecastTerms(**{**vars_of(TERMS), "dry_target": 0.01})

    assert outlook(unit(40, 40), terms=strict)["latest_on"] < outlook(unit(40, 40))["latest_on"]


def test_much_left_over_asks_for_a_wash_and_after_one_for_a_change():
    left_over = unit(40, 40, 40, 200)
    first = outlook(left_over)
    washed = outlook(left_over._replace(wick_washed=START + 75))
    seen_to = outlook(left_over._replace(wick_washed=START + 120))

    assert (first["wick_advice"], first["wick_reason"]) == ("wash", "left_over")
    assert first["wick_watch_from"] == "2026-05-01"
    assert washed["wick_advice"] == "change"
    assert seen_to["wick_reason"] != "left_over"


@pytest.mark.parametrize("marks", ["l", "o"])
def test_left_over_behind_a_plugged_outlet_or_a_leak_is_not_the_wicks(marks):
    plugged = unit(40, 40, 40)._replace(intervals=[*unit(40, 40).intervals, interval(3, 200, marks=marks)])

    assert outlook(plugged)["wick_reason"] != "left_over"


def test_an_output_that_falls_is_a_drift_and_rises_to_a_leak():
    low = outlook(unit(40, 40, 40, 40, 40, 40, 130))
    high = outlook(unit(120, 120, 120, 120, 120, 120, 0, level_ml=295))

    assert (low["drift"], low["drift_advice"], low["drift_since_s"]) == (
        "low",
        "wash",
        START_S + 7 * MONTH_S,
    )
    assert (low["wick_advice"], low["wick_reason"]) == ("wash", "drift")
    assert (high["drift"], high["drift_advice"]) == ("high", "look_for_leak")


def test_a_drift_that_somebody_saw_to_waits_for_the_next_exchange():
    low = unit(40, 40, 40, 40, 40, 40, 130)

    assert outlook(low._replace(wick_washed=START + 210.1))["drift"] == ""
    assert outlook(low._replace(wick_washed=START + 200.0))["drift_advice"] == "change"


def test_an_old_wick_is_changed_when_that_pays_and_says_what_it_saves():
    young = outlook(unit(40, 40))
    old = outlook(unit(*[40] * 14))

    assert young["wick_advice"] == "wait"
    assert young["wick_saving"] <= 0
    assert (old["wick_advice"], old["wick_reason"]) == ("change", "cost")
    assert old["wick_saving"] > 0
    assert old["wick_chance"] > young["wick_chance"]
    # The same wick from either side of it: watched from one age on, whichever exchange was the last.
    assert old["wick_watch_from"] == young["wick_watch_from"] < "2027-03-25"


def test_a_wick_seen_slow_is_watched_from_that_day():
    good, slow = outlook(unit(*[40] * 8)), outlook(unit(*[40] * 8, wick_condition="slow"))

    assert slow["wick_chance"] > good["wick_chance"]
    assert "2026-08-29" <= slow["wick_watch_from"] < good["wick_watch_from"]


def test_a_wick_seen_failed_is_changed_and_at_its_limit_too():
    failed = outlook(unit(40, 40, wick_condition="failed"))
    costly = ForecastTerms(**{**vars_of(TERMS), "wick_failure_cost": 8.5, "wick_down_day_cost": 0.0})
    limit = outlook(unit(*[40] * 17), terms=costly)

    assert (failed["wick_advice"], failed["wick_reason"]) == ("change", "condition")
    assert failed["wick_watch_from"] == "2026-03-02"
    assert (limit["wick_advice"], limit["wick_reason"]) == ("change", "limit")
    assert limit["wick_watch_from"] == "2027-06-25"


def test_without_fits_the_priors_answer_and_say_so():
    row = outlook(unit(), PRIORS)

    assert row["basis"]["prior"] is row["basis"]["wick_prior"] is True
    assert row["dose_ml_per_day"] == 8.0
    assert row["dry_latest_on"] > row["dry_on"] > row["dry_earliest_on"]
    # No curve of its own: the operator's own age of watching holds, and nothing is said of money.
    assert (row["wick_advice"], row["wick_saving"]) == ("", None)
    assert row["wick_watch_from"] == "2027-02-25"


def test_a_unit_of_unknown_dose_level_or_agreement_has_no_date_to_be_wrong_about():
    no_dose = outlook(unit(nominal_ml_per_day=None))
    no_level = outlook(unit(level_ml=None, level_at=None))
    no_agreement = outlook(unit(40, next_on=None, after_on=None, opens_on=None))

    assert no_dose["dose_ml_per_day"] is None
    assert no_dose["dry_on"] is no_level["dry_on"] is None
    assert no_agreement["dry_on"] is not None
    assert (no_agreement["chance_dry"], no_agreement["dry_advice"]) == (None, "")


def test_a_row_does_not_depend_on_the_units_beside_it():
    rng = np.random.default_rng(7)
    units = [
        unit(*(int(left) for left in rng.integers(0, 29, rng.integers(0, 15)) * 10), level_ml=level)
        for level in [*range(0, 300, 5), None]
    ]

    together = outlook_rows(units, OWN, TERMS)

    assert together == [outlook(one) for one in units]
    assert outlook_rows([], OWN, TERMS) == []


def test_stored_fits_come_back_as_they_were():
    assert dose_fits_of(OWN.dose.to_json()).to_json() == OWN.dose.to_json()
    assert wick_fits_of(OWN.wick.to_json()).to_json() == OWN.wick.to_json()


def vars_of(terms: ForecastTerms) -> dict:
    return {name: getattr(terms, name) for name in ForecastTerms.__slots__}
