"""When a reservoir is due for cleaning.

Sources: the months of each dust class are common practice, no source; the month arithmetic is dateutil's.
"""

from datetime import date

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from servicing.rules.cleaning import clean_due_on
from servicing.rules.nonsense import Nonsense

INSTALLED_ON = date(2025, 1, 31)


@pytest.mark.parametrize(
    ("dust", "due_on"),
    [("low", date(2026, 1, 31)), ("normal", date(2025, 7, 31)), ("high", date(2025, 4, 30))],
)
def test_a_new_unit_is_cleaned_after_the_months_of_its_dust_class(dust, due_on):
    assert clean_due_on(INSTALLED_ON, [], dust) == due_on


def test_the_last_cleaning_counts_whatever_the_order():
    cleaned_on = [date(2025, 6, 10), date(2025, 3, 1)]

    assert clean_due_on(INSTALLED_ON, cleaned_on, "normal") == date(2025, 12, 10)


def test_a_unit_that_was_cleaned_more_often_three_times_keeps_its_own_rhythm():
    # Gaps of 60, 70 and 90 days: their median, 70.
    cleaned_on = [date(2025, 2, 1), date(2025, 4, 2), date(2025, 6, 11), date(2025, 9, 9)]

    assert clean_due_on(INSTALLED_ON, cleaned_on, "normal") == date(2025, 11, 18)


def test_two_gaps_are_not_yet_a_rhythm():
    cleaned_on = [date(2025, 2, 1), date(2025, 4, 2), date(2025, 6, 11)]

    assert clean_due_on(INSTALLED_ON, cleaned_on, "normal") == date(2025, 12, 11)


def test_a_slow_rhythm_never_puts_a_cleaning_off():
    cleaned_on = [date(2025, 2, 1), date(2025, 12, 1), date(2026, 10, 1), date(2027, 8, 1)]

    assert clean_due_on(INSTALLED_ON, cleaned_on, "high") == date(2027, 11, 1)


def test_cleanings_before_the_installation_and_twice_on_a_day_do_not_count():
    cleaned_on = [date(2024, 12, 1), date(2025, 6, 10), date(2025, 6, 10), date(2025, 6, 10)]

    assert clean_due_on(INSTALLED_ON, cleaned_on, "normal") == date(2025, 12, 10)


def test_an_unknown_dust_class_is_refused():
    with pytest.raises(Nonsense, match="dust"):
        clean_due_on(INSTALLED_ON, [], "sandstorm")


DAYS = st.dates(date(2020, 1, 1), date(2030, 12, 31))


@given(DAYS, st.lists(DAYS, max_size=8), st.sampled_from([("low", 12), ("normal", 6), ("high", 3)]))
def test_cleaning_is_due_after_the_last_one_and_no_later_than_the_class(installed_on, cleaned_on, dust):
    last_on = max([installed_on, *cleaned_on])

    due_on = clean_due_on(installed_on, cleaned_on, dust[0])

    assert last_on < due_on <= last_on + relativedelta(months=dust[1])
