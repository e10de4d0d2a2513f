"""When a contract ends: its terms one after the other, the notice that ends it, and the last day for giving it.

Ends are exclusive: the first day that the contract no longer covers. The day on which notice is given is not counted, as
in the German Civil Code, sections 187 (1) and 188 (1) (from memory).
"""

from __future__ import annotations

import calendar
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from billing.rules.terms import EndRule


@dataclass(frozen=True, slots=True)
class Term:
    """Days [starts_on, ends_before) for which a contract is bound."""

    starts_on: date
    ends_before: date


@dataclass(frozen=True, slots=True)
class Duration:
    """How long a contract runs. ``term_months`` 0: until notice. ``renewal_months`` 0: it ends with its term."""

    starts_on: date
    term_months: int
    renewal_months: int
    notice_days: int
    end_rule: EndRule

    def terms(self) -> Iterator[Term]:
        """The first term and the renewals, without end where there are any. Each is counted from the contract's start."""
        if not self.term_months:
            return
        months, start = self.term_months, self.starts_on
        while True:
            end = months_later(self.starts_on, months)
            yield Term(start, end)
            if not self.renewal_months:
                return
            months, start = months + self.renewal_months, end

    @property
    def ends_by_itself(self) -> date | None:
        """Where a contract that does not renew itself ends; None for the others."""
        if self.term_months and not self.renewal_months:
            return months_later(self.starts_on, self.term_months)
        return None

    def term_on(self, day: date) -> Term | None:
        """The term that runs on a day; None before the start, after the last term, or without terms."""
        if day < self.starts_on:
            return None
        return next((term for term in self._until(day) if day < term.ends_before), None)

    def renewals(self, until: date) -> list[Term]:
        """The terms after the first that begin on ``until`` or before it."""
        return [term for term in self._until(until) if self.starts_on < term.starts_on <= until]

    def end_after_notice(self, given_on: date) -> date:
        """The end after a notice given on a day.

        With terms: the end of the one in which the notice runs out, or on the exact day, but not before the first term
        is over. Without: the end of the month in which it runs out, or the exact day.
        """
        free_on = max(given_on, self.starts_on) + timedelta(days=self.notice_days + 1)
        if self.end_rule == EndRule.EXACT_DAY:
            first = next(self.terms(), None)
            return free_on if first is None else max(free_on, first.ends_before)
        if not self.term_months:
            return _month_end(free_on - timedelta(days=1))
        last = None
        for last in self.terms():
            if last.ends_before >= free_on:
                break
        assert last is not None, "a contract with a term has a first one"
        return last.ends_before

    def notice_by(self, term: Term) -> date:
        """The last day on which notice still ends the contract with this term."""
        return term.ends_before - timedelta(days=self.notice_days + 1)

    def _until(self, day: date) -> Iterator[Term]:
        for term in self.terms():
            if term.starts_on > day:
                return
            yield term


def months_later(day: date, months: int) -> date:
    """The same day of the month so many months later; the month's last day where it has no such day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def _month_end(day: date) -> date:
    """The first day after the month of a day."""
    return months_later(day.replace(day=1), 1)
