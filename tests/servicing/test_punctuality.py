"""Due days met in time, and how long the others stayed past grace. The days are worked out by hand, no outside source."""

from datetime import date

from servicing.rules.due import Standstill, Terms, due_days
from servicing.rules.punctuality import kept_due_days, late_spells


def day(text):
    return date.fromisoformat(text)


# Due on the 15th, in grace from the 10th to the 18th.
TERMS = Terms(day("2026-01-15"), 1, 5, 3, day("2026-01-01"))
START, TODAY = day("2026-01-01"), day("2026-06-20")


def kept(exchanges, today=TODAY, standstills=()):
    days = due_days(TERMS, standstills, today)
    return [
        (str(one.due_on)[5:], one.in_time)
        for one in kept_due_days(days, [day(e) for e in exchanges], since=START, today=today)
    ]


def spells(exchanges, today=TODAY, standstills=(), since=START):
    days = due_days(TERMS, standstills, today)
    found = late_spells(days, [day(e) for e in exchanges], served_on=START, since=since, today=today)
    return [(one.days, one.is_over) for one in found]


ON_TIME = ["2026-01-10", "2026-02-18", "2026-03-15", "2026-04-15", "2026-05-15", "2026-06-15"]


def test_an_exchange_on_the_first_or_last_day_of_grace_is_in_time():
    assert [in_time for _, in_time in kept(ON_TIME)] == [True] * 6
    assert spells(ON_TIME) == []


def test_the_day_after_grace_is_late_for_one_day():
    late = ["2026-01-15", "2026-02-19", *ON_TIME[2:]]
    assert kept(late)[1] == ("02-15", False)
    assert spells(late) == [(1, True)]


def test_a_due_day_still_in_its_grace_says_nothing_whether_met_or_not():
    assert kept(ON_TIME, today=day("2026-06-18")) == kept(ON_TIME)[:5]
    assert kept(ON_TIME[:5], today=day("2026-06-18")) == kept(ON_TIME)[:5]


def test_a_unit_left_alone_for_months_misses_every_due_day_and_is_late_once():
    alone = ["2026-01-15", "2026-06-12"]
    assert kept(alone) == [
        ("01-15", True), ("02-15", False), ("03-15", False), ("04-15", False), ("05-15", False), ("06-15", True),
    ]  # fmt: skip
    assert spells(alone) == [((day("2026-06-12") - day("2026-02-19")).days + 1, True)]


def test_a_unit_nobody_has_come_back_to_is_late_up_to_today():
    assert spells(ON_TIME[:5], today=day("2026-06-18")) == []
    assert spells(ON_TIME[:5], today=day("2026-06-20")) == [(2, False)]


def test_a_standstill_cuts_a_late_spell_and_its_re_open_day_may_be_late_in_turn():
    closed = [Standstill(day("2026-02-25"), day("2026-04-20"))]
    served = ["2026-01-15", "2026-04-27", "2026-05-15", "2026-06-15"]
    # From 19 February up to the day on which the re-open window opens; the re-open day 20 April is late from the 24th.
    assert spells(served, standstills=closed) == [(56, False), (4, True)]


def test_spells_that_began_before_the_days_asked_about_are_left_out():
    late = ["2026-01-25", *ON_TIME[1:]]
    assert spells(late) == [(7, True)]
    assert spells(late, since=day("2026-02-01")) == []
