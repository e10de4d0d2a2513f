"""From what crews wrote down to bounds on what dripped out."""

import numpy as np
import pytest

from servicing.rules.dose.readings import (
    DISTURBED,
    MISSING,
    RAN_DRY,
    READ,
    SLOTS,
    UNTOUCHED,
    Readings,
    readings_of,
)
from servicing.rules.dose.reservoir import balances_of, charged_levels, stands_of
from servicing.rules.nonsense import Nonsense

DAY = 86_400
ENDED = 20_000 * DAY


def interval(left, before, *, days=30, available=295, wiped=0, marks=""):
    return [ENDED, days * DAY, available, left, before, wiped, marks]


def only(*rows):
    readings = readings_of([list(rows)])
    return readings.kind[0, -1], readings.low_ml[0, -1], readings.high_ml[0, -1]


def test_a_reading_bounds_what_dripped_out_on_both_sides():
    kind, low, high = only(interval(100, 15))
    assert kind == READ
    assert (low + high) / 2 == pytest.approx(180)


def test_the_bounds_have_the_variance_of_three_readings_that_each_err_by_half_a_step():
    _, low, high = only(interval(100, 15))
    assert (high - low) ** 2 / 12 == pytest.approx(5**2 + 2.5**2 + 2.5**2)


def test_a_fed_reservoir_counts_as_the_middle_of_what_it_was_found_to_hold():
    # 15 mL in truth, read as 15, 10, 15 and 20: what the eye errs by is taken out at either end.
    rows = [interval(100, 15), interval(90, 10), interval(100, 15), interval(80, 20, available=290)]
    kind, low, high = only(*rows)
    assert kind == READ
    # By the books 290 - 80 - 20 at its end; the start was read as 15, the middle, and stands.
    assert (low + high) / 2 == pytest.approx(290 - 80 - 15)
    assert (high - low) ** 2 / 12 == pytest.approx(5**2)


def test_a_reservoir_far_from_its_middle_or_under_an_empty_cartridge_stands_as_read():
    fed = [interval(100, 15), interval(90, 15), interval(100, 15)]
    _, low, high = only(*fed, interval(100, 30))
    assert (low + high) / 2 == pytest.approx(295 - 100 - 30)
    assert stands_of(balances_of([[*fed, interval(0, 10)]]))[1].more_ml[-1] == 0


def test_a_wiped_reservoir_counts_once_and_leaves_nothing_at_the_next_start():
    fed = [interval(100, 15), interval(90, 15), interval(100, 15)]
    rows = [*fed, interval(100, 0, wiped=20), interval(90, 15, available=280)]
    starts, ends = stands_of(balances_of([rows]))
    assert ends.more_ml[3] == -5
    assert starts.more_ml[4] == 0


def test_not_more_drips_out_than_was_in():
    kind, _, high = only(interval(0, 5))
    assert (kind, high) == (READ, 295)


def test_what_was_wiped_out_did_not_drip():
    _, low, high = only(interval(100, 0, wiped=15))
    assert (low + high) / 2 == pytest.approx(180)


def test_an_empty_unit_is_known_only_from_below():
    kind, low, high = only(interval(0, 0))
    assert (kind, high) == (RAN_DRY, np.inf)
    assert 290 <= low < 295


def test_an_empty_cartridge_over_a_wiped_reservoir_is_known_only_from_below():
    kind, low, high = only(interval(0, 0, wiped=15))
    assert (kind, high) == (RAN_DRY, np.inf)
    assert low < 280


def test_a_full_cartridge_is_known_only_from_above():
    kind, low, high = only(interval(280, 15))
    assert (kind, low) == (UNTOUCHED, 0)
    assert high < 15


def test_more_left_than_filled_within_the_eyes_error_is_untouched_and_beyond_it_missing():
    assert only(interval(285, 15))[0] == UNTOUCHED
    assert only(interval(330, 15))[0] == MISSING


@pytest.mark.parametrize("mark", ["w", "o", "l", "s", "wd"])
def test_a_repair_disturbs_the_interval(mark):
    assert only(interval(100, 15, marks=mark))[0] == DISTURBED


def test_a_dose_set_at_its_start_does_not_disturb_an_interval():
    assert only(interval(100, 15, marks="d"))[0] == READ


@pytest.mark.parametrize(
    "row",
    [
        interval(None, 15),
        interval(100, None),
        interval(100, 15, days=2),
        interval(100, 15, days=-30),
        interval(-10, 15),
        interval(100, 15, available=0),
        interval(100, 15, available=float("inf")),
        interval(float("nan"), 15),
        interval(100, 15, days=40_000),
    ],
)
def test_what_cannot_be_is_missing_and_takes_no_other_row_along(row):
    readings = readings_of([[interval(100, 15), row, interval(90, 15)]])
    assert readings.kind[0, -3:].tolist() == [READ, MISSING, READ]


def test_slots_are_filled_from_the_newest_and_only_the_latest_count():
    short, long = [interval(100, 15)], [interval(n, 15) for n in range(100, 125)]
    readings = readings_of([short, long, []])
    assert readings.kind.shape == (3, SLOTS)
    assert (readings.kind != MISSING).sum(axis=1).tolist() == [1, SLOTS, 0]
    middles = (readings.low_ml[1] + readings.high_ml[1]) / 2
    assert middles == pytest.approx([295 - 15 - n for n in range(107, 125)])


def test_after_an_unread_exchange_the_reservoir_counts_as_it_usually_is():
    # The history counts the unread reservoir as 0: 280 mL were in by the books, 295 in truth.
    rows = [interval(100, 15), interval(None, None), interval(100, 15, available=280)]
    kind, low, high = only(*rows)
    assert kind == READ
    assert (low + high) / 2 == pytest.approx(180)
    assert (high - low) ** 2 / 12 == pytest.approx(5**2 + 2.5**2 + 2.5**2 + 3.75**2)


def test_the_level_after_an_exchange_has_the_reservoir_that_nobody_wrote_down():
    read, unread, wiped = interval(100, 15), interval(None, None), interval(None, None, wiped=15)
    histories = [[read, unread], [read, wiped], [read, read], []]
    levels, sds = charged_levels(
        balances_of(histories), np.array([280.0, 280.0, 295.0, 280.0]), np.full(4, 20_000.0)
    )
    assert levels.tolist() == [295, 280, 295, 280]
    assert sds == pytest.approx([np.hypot(2.5, 3.75), 2.5, 2.5, 2.5])


def test_a_reservoir_nobody_wrote_down_may_have_been_dry_as_often_as_others_were_found_dry():
    rows = [interval(100, 15), interval(0, 0), interval(100, 15), interval(0, 0), interval(None, None)]
    levels, sds = charged_levels(balances_of([rows]), np.array([280.0]), np.full(1, 20_000.0))
    # 15 mL or none, as likely: a mean of 7.5 and a standard deviation of 7.5, beside what the eye and the guess err by.
    assert levels[0] == 287.5
    assert sds[0] == pytest.approx(np.sqrt(2.5**2 + 3.75**2 + 7.5**2))


def test_the_level_after_a_fed_exchange_is_told_by_the_units_middle_reading():
    rows = [interval(100, 15), interval(90, 15), interval(80, 15), interval(80, 20)]
    levels, sds = charged_levels(balances_of([rows]), np.array([300.0]), np.array([20_000.0]))
    assert (levels[0], sds[0]) == (295, 1.0)


def test_a_level_read_between_exchanges_stands_as_read_with_both_errors():
    rows = [interval(100, 15), interval(None, None)]
    levels, sds = charged_levels(balances_of([rows]), np.array([120.0]), np.array([20_010.0]))
    assert (levels[0], sds[0]) == (120, pytest.approx(np.hypot(5, 2.5)))


def test_tables_of_different_shapes_or_reversed_bounds_are_nonsense():
    good = readings_of([[interval(100, 15)]])
    with pytest.raises(Nonsense, match="one shape"):
        Readings(good.ended_day, good.days[:, 1:], good.available_ml, good.low_ml, good.high_ml, good.kind)
    with pytest.raises(Nonsense, match="cannot have dripped out"):
        Readings(good.ended_day, good.days, good.available_ml, good.high_ml, good.low_ml, good.kind)
    with pytest.raises(Nonsense, match="cannot have dripped out"):
        Readings(good.ended_day, -good.days, good.available_ml, good.low_ml, good.high_ml, good.kind)
    with pytest.raises(Nonsense, match="more than 0 mL"):
        readings_of([[interval(100, 15)]], step_ml=0)
