"""How much a unit drips and when it runs dry.

Outside checks: the mean rate of exposed units is events over exposure, here in a worked case of ten pumps (Gaver and
O'Muircheartaigh 1987, figures from memory); the rest is arithmetic written out beside the case. That empties are
right-censored and must not enter a mean as if they were readings is Tobin's finding of 1958, shown below on a
simulated fleet whose true dose is known.
"""

import random
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicing.rules.dryness import GREATEST_DOSE, LATEST_DRY_AT, Interval, consumed_ml, dose_estimate, dry_at

DAY = 86_400


def read(consumed, days, available=500):
    return Interval(available, consumed, days * DAY, was_empty=False)


def empty(available, days):
    return Interval(available, available, days * DAY, was_empty=True)


@pytest.mark.parametrize(
    ("readings", "wiped_out", "consumed"),
    [
        pytest.param((500, 60, 120, 55), 0, 385, id="500 put in over 60, 120 and 55 left"),
        pytest.param((500, 60, 120, 0), 55, 385, id="the reservoir was wiped out in between"),
        pytest.param((500, 0, 0, 0), 0, 500, id="empty on arrival: all of it"),
        pytest.param((500, 60, 500, 60), 0, 0, id="nothing dripped"),
        pytest.param((500, 60, 500, 80), 0, -20, id="readings that contradict each other show as they are"),
    ],
)
def test_the_mass_balance(readings, wiped_out, consumed):
    assert consumed_ml(*readings, wiped_out_ml=wiped_out) == consumed


@pytest.mark.parametrize(
    ("intervals", "set_dose", "nominal", "dose"),
    [
        pytest.param([read(300, 30)], "20", "15", "10.000", id="one reading beats what was set"),
        pytest.param([read(300, 30), read(100, 5)], None, None, "11.429", id="all mL over all days: 400 / 35"),
        pytest.param([read(1, 16)], None, None, "0.063", id="0.0625 is rounded half up"),
        pytest.param([read(1, 80)], None, None, "0.013", id="0.0125 is rounded half up, away from the even digit"),
        pytest.param(
            [read(900, 10), read(300, 30), read(300, 30), read(300, 30)], None, None, "10.000",
            id="the fourth from the end no longer counts",
        ),
        pytest.param([], "12.5", "15", "12.500", id="without readings the set dose"),
        pytest.param([], None, "15", "15.000", id="without a set dose the nominal one"),
        pytest.param([], None, None, None, id="nothing known"),
        pytest.param([], "0", "15", "15.000", id="a set dose of nothing says nothing"),
        pytest.param([read(None, 30)], "12", None, "12.000", id="not read: no rate"),
        pytest.param([read(0, 30)], "12", None, "12.000", id="no drop seen: no rate"),
        pytest.param([read(-20, 30)], "12", None, "12.000", id="contradicting readings: no rate"),
        pytest.param([read(300, 0)], "12", None, "12.000", id="no time passed: no rate"),
        pytest.param([empty(500, 25)], "12", None, "20.000", id="empty raises the set dose to 500 / 25"),
        pytest.param([empty(500, 50)], "12", None, "12.000", id="empty after long says less than the set dose"),
        pytest.param([empty(500, 25)], None, "15", "20.000", id="empty raises the nominal dose"),
        pytest.param([empty(500, 25)], None, None, "20.000", id="empty alone is the least it can be"),
        pytest.param([read(300, 30), empty(500, 25)], None, None, "20.000", id="empty raises a mean that is too low"),
        pytest.param([read(300, 30), empty(500, 60)], None, None, "10.000", id="empty never lowers a mean"),
        pytest.param([empty(0, 25)], None, None, None, id="nothing was in it: nothing learned"),
        pytest.param([read(1, 9000)], None, None, "0.001", id="the smallest dose is never nothing"),
    ],
)  # fmt: skip
def test_the_dose(intervals, set_dose, nominal, dose):
    known = [value and Decimal(value) for value in (set_dose, nominal, dose)]
    assert dose_estimate(intervals, known[0], known[1]) == known[2]


def test_no_dose_beyond_what_a_unit_can_be_set_to():
    assert dose_estimate([Interval(300, 220, 1, was_empty=False)], None, None) == GREATEST_DOSE


def test_the_dose_keeps_three_places():
    assert str(dose_estimate([read(300, 30)], None, None)) == "10.000"
    assert str(dose_estimate([], Decimal(12), None)) == "12.000"


@pytest.mark.parametrize(
    ("failures", "thousand_hours", "rate"),
    [
        (5, "94.3", "0.053"),
        (5, "62.9", "0.079"),
        (14, "126", "0.111"),
        (19, "31.4", "0.605"),
        (22, "10.5", "2.095"),
    ],
)
def test_a_rate_is_count_over_exposure_as_in_the_pump_data(failures, thousand_hours, rate):
    exposure = Interval(500, failures, int(Decimal(thousand_hours) * DAY), was_empty=False)
    assert dose_estimate([exposure], None, None) == Decimal(rate)


def test_empties_taken_as_readings_would_bias_the_dose_low():
    # A fleet that truly drips 20 mL a day on average (sd 4) from 500 mL, read after 30 days: most run dry before.
    draw = random.Random(1958)
    true_doses = [max(1.0, draw.gauss(20, 4)) for _ in range(400)]
    naive = sum(min(dose * 30, 500) / 30 for dose in true_doses) / 400
    estimates = [
        dose_estimate(
            [Interval(500, min(int(dose * 30), 500), 30 * DAY, was_empty=dose * 30 >= 500)], Decimal(20), None
        )
        for dose in true_doses
    ]
    mean = sum(estimates) / 400
    assert naive < 17
    assert abs(mean - 20) < abs(Decimal(naive) - 20)
    assert all(
        estimate >= Decimal("16.667")
        for estimate, dose in zip(estimates, true_doses, strict=True)
        if dose * 30 >= 500
    )


@given(
    rows=st.lists(
        st.tuples(st.integers(1, 1000), st.integers(-50, 1000), st.integers(1, 90), st.booleans()), max_size=3
    ),
    nominal=st.decimals("0.1", "50", places=1),
)
def test_the_dose_is_at_least_every_lower_bound(rows, nominal):
    intervals = [Interval(available, consumed, days * DAY, was) for available, consumed, days, was in rows]
    dose = dose_estimate(intervals, None, nominal)
    bounds = [Decimal(one.available_ml) * DAY / one.seconds for one in intervals if one.was_empty]
    assert all(dose + Decimal("0.0005") >= min(bound, GREATEST_DOSE) for bound in bounds)


READ_AT = datetime(2026, 3, 28, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("level", "dose", "after"),
    [
        pytest.param(500, "20", timedelta(days=25), id="500 mL at 20 mL a day: 25 days"),
        pytest.param(750, "25", timedelta(days=30), id="750 mL at 25 mL a day: 30 days"),
        pytest.param(1, "24", timedelta(hours=1), id="one mL at 24 mL a day: an hour"),
        pytest.param(100, "7", timedelta(seconds=1_234_285), id="cut to whole seconds: 100 / 7 days"),
        pytest.param(0, "20", timedelta(0), id="nothing left: dry when read"),
    ],
)
def test_dry_is_the_level_over_the_dose_after_the_reading(level, dose, after):
    assert dry_at(level, READ_AT, Decimal(dose)) == READ_AT + after


def test_a_summer_time_switch_adds_no_hour():
    # Europe/Berlin goes forward on 29 March 2026: a day of 24 hours of dripping ends at 13:00 by the wall clock.
    berlin = ZoneInfo("Europe/Berlin")
    dry = dry_at(24, datetime(2026, 3, 28, 12, 0, tzinfo=berlin), Decimal(24))
    assert dry.tzinfo is UTC
    assert dry == datetime(2026, 3, 29, 11, 0, tzinfo=UTC)
    assert dry.astimezone(berlin).hour == 13


def test_a_dry_date_beyond_the_calendar_stops_at_its_end():
    assert dry_at(10_000, READ_AT, Decimal("0.001")) == LATEST_DRY_AT


@pytest.mark.parametrize(
    ("level", "at", "dose"),
    [
        pytest.param(-1, READ_AT, "20", id="a negative level"),
        pytest.param(500, READ_AT, "0", id="a dose of nothing"),
        pytest.param(500, READ_AT, "-3", id="a negative dose"),
        pytest.param(500, READ_AT.replace(tzinfo=None), "20", id="a naive instant"),
    ],
)
def test_no_dry_date_from(level, at, dose):
    with pytest.raises(ValueError):
        dry_at(level, at, Decimal(dose))
