"""The figures of a month, of plain values: what counts in it, how long units were dry, how faults and wicks went.

Months are named by their first day. Days are ordinals (``date.toordinal``), instants whole microseconds or seconds since
1970 as the names say, volumes mL. What is compared across months is a sum over a sum, so that it can be opened again.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from servicing.rules.lifetimes.likelihood import log_ages
from servicing.rules.lifetimes.wick_life import Label, WickFit
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MONTHS = 12
MONTH_DAYS = 365.25 / 12
SHOWN = 2 * MONTHS  # twelve months, and the twelve before them
# A fault that comes back within so many days was not put right at the first go; the trade's own number, no source.
REPEAT_DAYS = 14
DAY_US = 86_400_000_000
# Minutes that a crew can work on a weekday; judgement, the same that rounds are proposed by.
CREW_MINUTES = 450
# Shorter gaps than this are within the eye's error of a reading (judgement): they are not called dry.
SHORTEST_GAP_DAYS = 0.5


def month_after(month: date, months: int = 1) -> date:
    """The first day of the month so many months later (before, for less than 0)."""
    years, index = divmod(month.year * 12 + month.month - 1 + months, 12)
    return date(years, index + 1, 1)


@dataclass(frozen=True, slots=True)
class Window:
    """``months`` in order without a gap, and the last day that counts, which may cut the last of them short."""

    months: tuple[date, ...]
    last_on: date

    @classmethod
    def until(cls, month: date, today: date, months: int = SHOWN) -> Window:
        """So many months up to one, none of its days after ``today``. Raises Nonsense for a month to come."""
        if month > today:
            raise Nonsense(f"The month of {month} has not begun.")
        shown = tuple(month_after(month, at - months + 1) for at in range(months))
        return cls(shown, min(today, month_after(month) - timedelta(days=1)))

    @property
    def starts(self) -> Ints:
        """The first day of each month (M,)."""
        return np.array([one.toordinal() for one in self.months], np.int64)

    @property
    def ends(self) -> Ints:
        """The day after the last one that counts of each month (M,)."""
        after = [month_after(one).toordinal() for one in self.months]
        return np.minimum(np.array(after, np.int64), self.last_on.toordinal() + 1)

    def place(self, day: int) -> int | None:
        """Which month a day counts in; None outside."""
        if day > self.last_on.toordinal():
            return None
        at = bisect_right(self.starts.tolist(), day) - 1
        return at if at >= 0 else None

    def places(self, days: Ints) -> Ints:
        """``place`` of many days, -1 outside."""
        at = np.searchsorted(self.starts, days, "right") - 1
        return np.where(days <= self.last_on.toordinal(), at, -1)


class Tenure(NamedTuple):
    """A unit hung at a site from day ``since`` until before day ``until``, in the site's zone; the same in seconds."""

    unit: int
    site: int
    since: int
    until: int
    since_s: int = 0
    until_s: int = 0


def days_dry(days: Floats, expected_days: Floats, spread: Floats, was_dry: Flags) -> Floats:
    """How many of an interval's ``days`` (N,) a unit was dry, given when it was expected to be.

    ``expected_days``: the median time to the last drop by what the unit's earlier visits said; ``spread``: the standard
    deviation of its log. Found dry, it had run out at a time T <= days, and the answer is E[days - T | T <= days] of the
    log-normal T (partial mean M Phi(x - s) / Phi(x) with M = exp(mu + s^2/2)). Otherwise it is 0: a unit found with
    liquid was not dry. Raises Nonsense for times that are not positive.
    """
    if not ((days > 0) & (expected_days > 0) & (spread > 0)).all():
        raise Nonsense("Times and spreads are more than 0.")
    middle = np.log(expected_days)
    at = (np.log(days) - middle) / spread
    within = np.maximum(ndtr(at), 1e-250)
    mean = np.exp(middle + spread * spread / 2) * ndtr(at - spread) / within
    return np.where(was_dry, np.clip(days - np.minimum(mean, days), 0.0, days), 0.0)


def days_still_dry(days: Floats, expected_days: Floats) -> Floats:
    """The same of an interval that nobody has ended yet: the days since the unit was expected to give its last drop."""
    return np.maximum(days - expected_days, 0.0)


class Spell(NamedTuple):
    """A fault of a unit from when it was found; ``closed_us`` None while it lasts."""

    mode: str
    found_us: int
    closed_us: int | None
    event_id: str


# What puts an end to a fault beside its own closing: the fold's rules (``rules/unit``).
ENDS = {"cartridge.exchanged": "NOO", "wick.changed": "LOO", "outlet.cleared": "PLU", "leak.stopped": "ELU"}
ENDS_ALL = ("unit.withdrawn", "unit.installed", "unit.opened")


def fault_spells(lines: Iterable[tuple[int, str, str, str]]) -> list[Spell]:
    """The faults of one unit from its lines (instant, type, mode, event id) in canonical order; one a mode at a time.

    An ``outlet.cleared`` that did not make it drip again is not among the lines.
    """
    open_since: dict[str, tuple[int, str]] = {}
    found: list[Spell] = []

    def close(mode: str, at: int) -> None:
        if mode in open_since:
            found_us, event_id = open_since.pop(mode)
            found.append(Spell(mode, found_us, at, event_id))

    for at, kind, mode, event_id in lines:
        if kind == "fault.found":
            open_since.setdefault(mode, (at, event_id))
        elif kind in ENDS_ALL:
            for each in list(open_since):
                close(each, at)
        else:
            close(mode if kind == "fault.closed" else ENDS[kind], at)
    found += [Spell(mode, at, None, event_id) for mode, (at, event_id) in open_since.items()]
    return sorted(found, key=lambda one: (one.found_us, one.mode))


def came_back(spells: Sequence[Spell]) -> list[bool]:
    """Of one unit's spells: whether the same mode was found again within fourteen days after the spell was closed."""
    return [
        one.closed_us is not None
        and any(
            other.mode == one.mode
            and other is not one
            and one.closed_us <= other.found_us <= one.closed_us + REPEAT_DAYS * DAY_US
            for other in spells
        )
        for one in spells
    ]


class WickSpan(NamedTuple):
    """A wick of known age: put in on day ``born``, there until before day ``gone``.

    ``entered``: the day from which it was looked after, where that came later.
    """

    born: int
    gone: int
    label: Label
    entered: int = 0


def expected_failures(fit: WickFit, wicks: Sequence[WickSpan], starts: Ints, ends: Ints) -> Floats:
    """How many wicks are to be expected to fail in each month [starts, ends) (M,), by their ages in it.

    The sum of what each wick's cumulative hazard rises by while it is there: the expected number of failures among those
    at risk, as in standardised mortality ratios (Breslow & Day, Statistical Methods in Cancer Research II, 1987, ch. 2,
    from memory).
    """
    if not wicks:
        return np.zeros(len(starts))
    born = np.array([one.born for one in wicks], np.int64)[:, None]
    gone = np.array([one.gone for one in wicks], np.int64)[:, None]
    since = np.maximum(born, np.array([one.entered for one in wicks], np.int64)[:, None])
    scale = fit.log_scale(fit.places([one.label for one in wicks]))[:, None]
    first = np.clip(starts[None, :], since, gone) - born
    last = np.clip(ends[None, :], since, gone) - born

    def hazard(age: Ints) -> Floats:
        return np.asarray(np.exp(fit.shape * (log_ages(age.astype(np.float64)) - scale)), np.float64)

    return np.asarray((hazard(np.maximum(last, first)) - hazard(first)).sum(axis=0), np.float64)


def weekdays(month: date, last_on: date) -> int:
    """Mondays to Fridays of a month, up to a day; public holidays are not taken out."""
    end = min(month_after(month), last_on + timedelta(days=1))
    return sum((month + timedelta(days=at)).weekday() < 5 for at in range((end - month).days))  # noqa: PLR2004
