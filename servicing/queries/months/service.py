"""What is counted of units, sites and wicks in each month, from the ground they stand on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from servicing.queries.months.ground import Ground
from servicing.queries.months.tenancies import WickChange
from servicing.rules.lifetimes.wick_life import WickFit
from servicing.rules.months import Flags, Floats, Ints, expected_failures


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
        unit, site, since, until = (
            np.array(one, np.int64) for one in zip(*(one[:4] for one in ground.tenures), strict=True)
        )
        hangs = (since[:, None] <= last) & (last < until[:, None])
        there = hangs & ground.is_agreed[site[:, None], last - ground.first_day]
        np.logical_or.at(units, unit, there)
    return Standing(units, ground.is_agreed[:, last - ground.first_day])


def unit_days(ground: Ground) -> Floats:
    """Days that units were in service in each month (M,): hanging at a site under agreement, not at a standstill."""
    if not ground.tenures:
        return np.zeros(len(ground.window.months))
    _, site, since, until = (
        np.array(one, np.int64) for one in zip(*(one[:4] for one in ground.tenures), strict=True)
    )
    starts, ends = ground.window.starts, ground.window.ends
    first = np.clip(since[:, None], starts, ends) - ground.first_day
    last = np.clip(until[:, None], starts, ends) - ground.first_day
    before = ground.open_before
    days = before[site[:, None], np.maximum(last, first)] - before[site[:, None], first]
    return days.sum(axis=0).astype(np.float64)


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
    changed = ground.walked.changes
    place = window.places(np.array([one.day for one in changed], np.int64))
    changes = [one for one, at in zip(changed, place.tolist(), strict=True) if at >= 0]
    place = place[place >= 0]
    worn = np.array([one.reason in WORN for one in changes], np.bool_)
    months = len(window.months)
    return Wicks(
        changes,
        np.bincount(place, minlength=months),
        np.bincount(place[worn], minlength=months),
        expected_failures(fit, ground.walked.wicks, window.starts, window.ends),
    )
