"""When contracts end: terms one after the other, notice, and the last day for giving it.

Days of notice are counted as in the German Civil Code, sections 187 (1) and 188 (1), from memory: the day of the notice is
not counted, the last day is over at its end. That a term binds until its end is common practice, no source.
"""

from datetime import date

import pytest

from billing.rules.contract_end import Duration, Term, months_later
from billing.rules.terms import EndRule

START = date(2025, 3, 15)
YEARLY = Duration(START, 12, 12, 90, EndRule.PERIOD_END)
EXACT = Duration(START, 12, 12, 90, EndRule.EXACT_DAY)
OPEN = Duration(START, 0, 0, 30, EndRule.PERIOD_END)
FIXED = Duration(START, 24, 0, 90, EndRule.PERIOD_END)


@pytest.mark.parametrize(
    ("day", "months", "later"),
    [
        (date(2025, 1, 31), 1, date(2025, 2, 28)),
        (date(2024, 1, 31), 1, date(2024, 2, 29)),
        (date(2025, 1, 31), 2, date(2025, 3, 31)),
        (date(2025, 12, 1), 1, date(2026, 1, 1)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (START, 0, START),
    ],
)
def test_months_later_is_the_same_day_or_the_months_last(day, months, later):
    assert months_later(day, months) == later


@pytest.mark.parametrize(
    ("duration", "given_on", "ends_before"),
    [
        # 90 days from 14 Dec are over with 14 March, the last day of the first term.
        (YEARLY, date(2025, 12, 14), date(2026, 3, 15)),
        (YEARLY, date(2025, 12, 15), date(2027, 3, 15)),
        (YEARLY, date(2025, 3, 1), date(2026, 3, 15)),
        (YEARLY, date(2027, 1, 1), date(2028, 3, 15)),
        (EXACT, date(2025, 5, 1), date(2026, 3, 15)),
        (EXACT, date(2026, 5, 1), date(2026, 7, 31)),
        # 30 days from 31 March are over with 30 April, and so is the month.
        (OPEN, date(2026, 3, 31), date(2026, 5, 1)),
        (OPEN, date(2026, 4, 1), date(2026, 6, 1)),
        (Duration(START, 0, 0, 30, EndRule.EXACT_DAY), date(2026, 3, 31), date(2026, 5, 1)),
        (Duration(START, 0, 0, 30, EndRule.EXACT_DAY), date(2026, 4, 1), date(2026, 5, 2)),
        (Duration(START, 0, 0, 0, EndRule.EXACT_DAY), date(2026, 4, 1), date(2026, 4, 2)),
        (FIXED, date(2025, 4, 1), date(2027, 3, 15)),
    ],
    ids=[
        "in time, with the first term",
        "a day late, with the next",
        "before the start, with the first term",
        "in a renewal, with that one or the next",
        "exact day, not before the first term is over",
        "exact day, in a renewal",
        "without a term, with the month",
        "without a term, a day later with the next month",
        "without a term, on the exact day",
        "without a term, on the exact day a day later",
        "without days of notice, with the next day",
        "with a term that ends by itself",
    ],
)
def test_notice_ends_a_contract_by_its_rule(duration, given_on, ends_before):
    assert duration.end_after_notice(given_on) == ends_before


def test_the_last_day_of_notice_is_the_last_that_still_ends_the_term():
    term = YEARLY.term_on(date(2026, 1, 1))
    last = YEARLY.notice_by(term)

    assert (term, last) == (Term(START, date(2026, 3, 15)), date(2025, 12, 14))
    assert YEARLY.end_after_notice(last) == term.ends_before
    assert YEARLY.end_after_notice(last.replace(day=15)) > term.ends_before


def test_terms_follow_one_another_counted_from_the_start():
    month_end = Duration(date(2025, 1, 31), 1, 1, 0, EndRule.PERIOD_END)

    assert [term.starts_on.isoformat() for term in month_end.renewals(date(2025, 4, 30))] == [
        "2025-02-28",
        "2025-03-31",
        "2025-04-30",
    ]
    assert YEARLY.renewals(date(2026, 3, 14)) == []
    assert YEARLY.renewals(date(2026, 3, 15)) == [Term(date(2026, 3, 15), date(2027, 3, 15))]


def test_a_contract_without_renewal_ends_with_its_term_and_one_without_a_term_never_by_itself():
    assert FIXED.ends_by_itself == date(2027, 3, 15)
    assert (YEARLY.ends_by_itself, OPEN.ends_by_itself) == (None, None)
    assert FIXED.term_on(date(2027, 3, 14)) == Term(START, date(2027, 3, 15))
    assert FIXED.term_on(date(2027, 3, 15)) is None
    assert OPEN.term_on(date(2027, 3, 15)) is None
    assert YEARLY.term_on(date(2025, 3, 14)) is None
