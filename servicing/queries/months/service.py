"""What is counted of units, sites, due days, wicks and crews in each month, from the ground they stand on."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import NamedTuple

import numpy as np

from accounts import clock
from servicing.queries.months.ground import Ground, WickChange
from servicing.rules.due import DueDay
from servicing.rules.lifetimes.wick_life import WickFit
from servicing.rules.months import Flags, Floats, Ints, Tenure, expected_failures
from servicing.rules.punctuality import Kept, kept_due_days


class Standing(NamedTuple):
    """(N, M + 1) at the end of the month before the window and of each month: whether a unit, or a site, is under agreement."""

    units: Flags
    sites: Flags

    def gained(self, at: int) -> tuple[Ints, Ints]:
        """The units and the sites that came during a month."""
        return tuple(np.flatnonzero(one[:, at + 1] & ~one[:, at]) for one in self)  # type: ignore[return-value]

    def lost(self, at: int) -> tuple[Ints, Ints]:
        return tuple(np.flatnonzero(one[:, at] & ~one[:, at + 1]) for one in self)  # type: ignore[return-value]


def standing_of(ground: Ground) -> Standing:
    """A unit counts on the last day of a month where it hangs at a site that is under agreement that day."""
    last = np.concatenate([[ground.first_day], ground.window.ends - 1])
    units = np.zeros((len(ground.unit_ids), len(last)), np.bool_)
    if ground.tenures:
        unit, site, since, until = (np.array(one, np.int64) for one in zip(*ground.tenures, strict=True))
        hangs = (since[:, None] <= last) & (last < until[:, None])
        there = hangs & ground.is_agreed[site[:, None], last - ground.first_day]
        np.logical_or.at(units, unit, there)
    return Standing(units, ground.is_agreed[:, last - ground.first_day])


def unit_days(ground: Ground) -> Floats:
    """Days that units were in service in each month (M,): hanging at a site under agreement, not at a standstill."""
    if not ground.tenures:
        return np.zeros(len(ground.window.months))
    _, site, since, until = (np.array(one, np.int64) for one in zip(*ground.tenures, strict=True))
    starts, ends = ground.window.starts, ground.window.ends
    first = np.clip(since[:, None], starts, ends) - ground.first_day
    last = np.clip(until[:, None], starts, ends) - ground.first_day
    before = ground.open_before
    days = before[site[:, None], np.maximum(last, first)] - before[site[:, None], first]
    return days.sum(axis=0).astype(np.float64)


class KeptBy(NamedTuple):
    """A due day of a unit whose grace has ended."""

    tenure: Tenure
    kept: Kept


class Punctual(NamedTuple):
    """Due days asked and met in grace, by month (M,)."""

    asked: Ints
    met: Ints


class DueDays:
    """The due days of all units; those of a site that were exchanged on the same days are looked at once."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self._of_site: dict[int, list[DueDay]] = {}
        self._kept: dict[tuple[object, ...], list[Kept]] = {}

    def kept(self, tenure: Tenure, exchanges: list[int]) -> list[Kept]:
        """The due days of one unit at one site in the window whose grace has ended by now."""
        key = (tenure.site, tenure.since, tenure.until, tuple(exchanges))
        found = self._kept.get(key)
        if found is None:
            found = self._kept[key] = self._look(tenure, exchanges)
        return found

    def _look(self, tenure: Tenure, exchanges: list[int]) -> list[Kept]:
        window, site = self.ground.window, self.ground.sites[tenure.site]
        due_days = self._of_site.get(tenure.site)
        if due_days is None:
            due_days = self._of_site[tenure.site] = self.ground.due_days(tenure.site)
        since = date.fromordinal(tenure.since)
        today = min(clock.local_date(self.ground.now, site.agreed.zone).toordinal(), tenure.until)
        kept = kept_due_days(
            [one for one in due_days if one.opens_on > since],
            [date.fromordinal(day) for day in exchanges],
            since=window.months[0],
            today=date.fromordinal(today),
        )
        return [one for one in kept if one.due_on <= window.last_on]

    def __iter__(self) -> Iterator[KeptBy]:
        for walked in self.ground.walked:
            for tenure, exchanges in zip(walked.tenures, walked.exchanges, strict=True):
                for one in self.kept(tenure, exchanges):
                    yield KeptBy(tenure, one)

    def by_month(self) -> Punctual:
        months = len(self.ground.window.months)
        asked, met = np.zeros(months, np.int64), np.zeros(months, np.int64)
        for place, in_time in self._places():
            asked[place] += 1
            met[place] += in_time
        return Punctual(asked, met)

    def _places(self) -> Iterator[tuple[int, bool]]:
        place_of: dict[date, int] = {}
        for _, kept in self:
            place = place_of.get(kept.due_on)
            if place is None:
                found = self.ground.window.place(kept.due_on.toordinal())
                assert found is not None, "a due day of the window"
                place = place_of[kept.due_on] = found
            yield place, kept.in_time


class Wicks(NamedTuple):
    """Wick changes in the window, the number by month, how many of those were worn, and how many were expected to (M,)."""

    changes: list[WickChange]
    changed: Ints
    worn: Ints
    expected: Floats


# What a worn wick is changed for; the other reasons are its age, an accident, or none given.
WORN = frozenset({"failed", "slow"})


def wicks_of(ground: Ground, fit: WickFit) -> Wicks:
    """The wicks changed, beside the number that the fitted life gives for the ages of all wicks that were there."""
    window = ground.window
    changes = [one for walked in ground.walked for one in walked.changes if window.place(one.day) is not None]
    place = window.places(np.array([one.day for one in changes], np.int64))
    worn = np.array([one.reason in WORN for one in changes], np.bool_)
    months = len(window.months)
    lives = [one for walked in ground.walked for one in walked.wicks]
    return Wicks(
        changes,
        np.bincount(place, minlength=months),
        np.bincount(place[worn], minlength=months),
        expected_failures(fit, lives, window.starts, window.ends),
    )
