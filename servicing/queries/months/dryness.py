"""How long units were dry, by what was found at the exchanges: the gaps, and what of them falls into each month."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from servicing.queries.months.charges import Intervals
from servicing.queries.months.ground import Ground
from servicing.rules.dose.model import PRIOR_DOSE
from servicing.rules.dose.posterior import Posterior, fold_posterior
from servicing.rules.dose.readings import Readings, readings_of
from servicing.rules.dose.reservoir import Balances
from servicing.rules.months import SHORTEST_GAP_DAYS, Flags, Floats, Ints, days_dry, days_still_dry

DAY_S = 86_400


class Gap(NamedTuple):
    """A unit at a site was dry from one moment to another (days with their part, in the site's zone).

    ``is_seen``: it was found dry; else nobody has come since, and it is what its dose says.
    """

    unit: int
    site: int
    since: float
    until: float
    is_seen: bool


class Dryness(NamedTuple):
    """The gaps that touch the window, and the days of each in each month (G, M); the days of exchanges nobody read."""

    gaps: list[Gap]
    days: Floats
    unread: Ints


def dryness_of(ground: Ground) -> Dryness:
    """Each unit is judged by its own earlier visits, so that what was said of a month is not moved by later ones.

    Before a unit has visits, its cartridge's nominal dose counts, with the spread of ``dose.PRIOR_DOSE``. A unit whose
    nominal dose is not known is left out.
    """
    starts, ends = (days.astype(np.float64) for days in (ground.window.starts, ground.window.ends))
    intervals = ground.charges.intervals
    unread = intervals.ended[~intervals.is_read].astype(np.int64)
    gaps = [one for one in _gaps(ground) if one.until > starts[0] and one.since < ends[-1]]
    if not gaps:
        return Dryness([], np.zeros((0, len(starts))), unread)
    site = np.array([one.site for one in gaps], np.int64)
    since, until = (np.array([one[at] for one in gaps], np.float64)[:, None] for at in (2, 3))
    days = ground.open_until(site, np.clip(until, starts, ends)) - ground.open_until(
        site, np.clip(since, starts, ends)
    )
    return Dryness(gaps, days, unread)


def _gaps(ground: Ground) -> Iterator[Gap]:
    if not ground.unit_ids:
        return
    stated = [one.nominal_ml_per_day or 0.0 for one in ground.liquids]
    known = np.array(stated, np.float64) > 0
    nominal = np.where(known, stated, 1.0)
    intervals = ground.charges.intervals
    count = np.bincount(intervals.unit, minlength=len(stated))
    columns = (intervals.ended_s, intervals.seconds, *intervals[4:8])
    balances = Balances(
        np.column_stack([one.astype(np.float64) for one in columns]), [""] * int(count.sum()), count
    )
    slots = max(1, int(count.max(initial=0)))
    readings = readings_of(balances, slots=slots)
    posterior = fold_posterior(readings, nominal, np.full(len(stated), PRIOR_DOSE.mean), PRIOR_DOSE)
    slot = np.arange(len(intervals.unit)) + slots - balances.ends[intervals.unit]
    yield from _seen(intervals, _Expected(readings, posterior), slot, known)
    yield from _not_ended(ground, nominal * np.exp(posterior.mean), known)


class _Expected:
    """By unit and slot: the median time to the last drop, and the spread of its log, by the visits before the slot."""

    def __init__(self, readings: Readings, posterior: Posterior) -> None:
        told = posterior.expected_ml > 0
        per_day = posterior.expected_ml / np.where(told, readings.days, 1.0)
        self.days = np.where(told, readings.available_ml / np.where(told, per_day, 1.0), 0.0)
        usable = readings.usable().astype(np.int64)
        earlier = np.cumsum(usable, axis=1) - usable
        visit = PRIOR_DOSE.visit_sd**2
        self.spread = np.sqrt(visit + 1 / (1 / PRIOR_DOSE.between_sd**2 + earlier / visit))


def _seen(intervals: Intervals, expected: _Expected, slot: Ints, known: Flags) -> Iterator[Gap]:
    unit = intervals.unit
    at = np.flatnonzero(intervals.was_dry & known[unit] & (expected.days[unit, slot] > 0))
    days = intervals.seconds[at] / DAY_S
    place = (unit[at], slot[at])
    dry = days_dry(days, expected.days[place], expected.spread[place], np.ones(len(at), np.bool_))
    rows = zip(
        unit[at].tolist(),
        intervals.site[at].tolist(),
        intervals.ended[at].tolist(),
        dry.tolist(),
        strict=True,
    )
    for of, site, end, length in rows:
        if length >= SHORTEST_GAP_DAYS:
            yield Gap(of, site, end - length, end, is_seen=True)


def _not_ended(ground: Ground, ml_per_day: Floats, known: Flags) -> Iterator[Gap]:
    tails = ground.charges.tails
    days = (tails.ended_s - tails.started_s) / DAY_S
    dry = np.where(known[tails.unit], days_still_dry(days, tails.available / ml_per_day[tails.unit]), 0.0)
    day, part = ground.local_days(tails.site, tails.ended_s)
    rows = zip(tails.unit.tolist(), tails.site.tolist(), (day + part).tolist(), dry.tolist(), strict=True)
    for unit, site, end, length in rows:
        if length >= SHORTEST_GAP_DAYS:
            yield Gap(unit, site, end - length, end, is_seen=False)
