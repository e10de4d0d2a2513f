"""Exchanges in columns: where and when each was, what the interval before it says, and what has not been ended yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from servicing.queries.months.reading import UNREAD, Charged
from servicing.queries.months.tenancies import ENDLESS_S, Hung
from servicing.rules.months import Flags, Floats, Ints, Tenure

# Unit and instant as one whole number, so that both are looked for at once.
_UNIT = 2 * ENDLESS_S

LocalDays = Callable[[Ints, Ints], tuple[Ints, Floats]]


class Exchanges(NamedTuple):
    """(N,) by unit and time: the tenure each falls in, and its day in the site's zone."""

    tenure: Ints
    day: Ints


class Intervals(NamedTuple):
    """(N,) by unit and time, between two charges of a unit: seconds and mL, NaN where nobody read; ``ended``: the day with
    its part.
    """

    unit: Ints
    site: Ints
    ended_s: Ints
    seconds: Ints
    available: Floats
    left: Floats
    before: Floats
    wiped: Floats
    ended: Floats

    @property
    def was_dry(self) -> Flags:
        """Found without a drop; a reservoir that was wiped out just before says nothing."""
        return (self.left == 0) & (self.before == 0) & (self.wiped == 0)

    @property
    def is_read(self) -> Flags:
        return ~(np.isnan(self.left) | np.isnan(self.before))


class Tails(NamedTuple):
    """(N,) what was charged last before a unit was withdrawn, or until now: how long ago its end was, and of how much."""

    unit: Ints
    site: Ints
    started_s: Ints
    ended_s: Ints
    available: Floats


class Charges(NamedTuple):
    exchanges: Exchanges
    intervals: Intervals
    tails: Tails


def charges_of(
    charged: Charged,
    unit: Ints,
    tenures: Sequence[Tenure],
    hung: Sequence[Hung],
    *,
    local_days: LocalDays,
    since_s: int,
    now_s: int,
) -> Charges:
    """``unit`` (N,) are the units of the rows among those of ``tenures``; before ``since_s`` exchanges were not read."""
    where = _tenure_of(unit, charged.at_s, tenures)
    is_in, is_exchange = where >= 0, charged.is_cleaning == 0
    exchanged = np.flatnonzero(is_in & is_exchange)
    cleaned = np.flatnonzero(is_in & ~is_exchange)
    site = np.array([one.site for one in tenures], np.int64)[where[exchanged]]
    day, part = local_days(site, charged.at_s[exchanged])
    filled = _Filled.of(charged, unit, exchanged, hung)
    wiped = filled.wiped_before(unit[cleaned], charged.at_s[cleaned], np.maximum(charged.left[cleaned], 0))
    later = filled.ends_interval(since_s)
    row = filled.row[later]
    read = exchanged[row]
    intervals = Intervals(
        unit[read],
        site[row],
        filled.at_s[later],
        filled.at_s[later] - filled.at_s[later - 1],
        filled.available[later - 1],
        _read(charged.left[read]),
        _read(charged.before[read]),
        wiped[later],
        day[row] + part[row],
    )
    return Charges(Exchanges(where[exchanged], day), intervals, filled.tails(hung, since_s, now_s))


def _tenure_of(unit: Ints, at_s: Ints, tenures: Sequence[Tenure]) -> Ints:
    """The place of the tenure that each instant of a unit falls in, -1 where it hung nowhere (N,)."""
    if not tenures:
        return np.full(len(unit), -1, np.int64)
    owner, starts, ends = (np.array([one[at] for one in tenures], np.int64) for at in (0, 4, 5))
    place = np.searchsorted(owner * _UNIT + starts, unit * _UNIT + at_s, "right") - 1
    found = np.maximum(place, 0)
    return np.where((place >= 0) & (owner[found] == unit) & (at_s <= ends[found]), place, -1)


def _read(ml: Ints) -> Floats:
    return np.where(ml == UNREAD, np.nan, ml.astype(np.float64))


class _Filled(NamedTuple):
    """Installations and exchanges, (N,) by unit and time; ``row`` the exchange's place, -1 for an installation.

    ``available`` NaN: nobody knew what was in a unit that hung already.
    """

    unit: Ints
    at_s: Ints
    available: Floats
    row: Ints

    @classmethod
    def of(cls, charged: Charged, unit: Ints, exchanged: Ints, hung: Sequence[Hung]) -> _Filled:
        first = np.array([(one.unit, one.started_s, one.charge_ml) for one in hung], np.int64).reshape(-1, 3)
        units = np.concatenate([first[:, 0], unit[exchanged]])
        at_s = np.concatenate([first[:, 1], charged.at_s[exchanged]])
        filled = np.concatenate([_read(first[:, 2]), charged.charge[exchanged] + charged.after[exchanged]])
        row = np.concatenate([np.full(len(first), -1), np.arange(len(exchanged))])
        order = np.lexsort((row, at_s, units))
        return cls(units[order], at_s[order], filled[order].astype(np.float64), row[order])

    @property
    def key(self) -> Ints:
        return self.unit * _UNIT + self.at_s

    def wiped_before(self, unit: Ints, at_s: Ints, ml: Ints) -> Floats:
        """What was wiped out since the charge before each (N,)."""
        found = np.zeros(len(self.unit) + 1)
        np.add.at(found, np.searchsorted(self.key, unit * _UNIT + at_s, "left"), ml)
        return found[:-1]

    def ends_interval(self, since_s: int) -> Ints:
        """The places that end an interval of which all is known."""
        same = self.unit[1:] == self.unit[:-1]
        known = (
            (self.at_s[:-1] >= since_s) & (self.at_s[1:] > self.at_s[:-1]) & ~np.isnan(self.available[:-1])
        )
        return np.flatnonzero(same & known & (self.row[1:] >= 0)) + 1

    def tails(self, hung: Sequence[Hung], since_s: int, now_s: int) -> Tails:
        last = np.array([(one.unit, one.ended_s, one.site) for one in hung], np.int64).reshape(-1, 3)
        place = np.searchsorted(self.key, last[:, 0] * _UNIT + last[:, 1], "right") - 1
        ended_s = np.minimum(last[:, 1], now_s)
        known = (
            (self.at_s[place] >= since_s) & (self.at_s[place] < ended_s) & ~np.isnan(self.available[place])
        )
        place = place[known]
        return Tails(last[known, 0], last[known, 2], self.at_s[place], ended_s[known], self.available[place])
