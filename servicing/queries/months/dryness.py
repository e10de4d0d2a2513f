"""How long units were dry, by what was found at the exchanges: the gaps, and what of them falls into each month."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from servicing.queries.months.ground import Ground
from servicing.rules.dose.model import PRIOR_DOSE
from servicing.rules.dose.posterior import Posterior, fold_posterior
from servicing.rules.dose.readings import Readings, readings_of
from servicing.rules.months import (
    SHORTEST_GAP_DAYS,
    Floats,
    Interval,
    days_dry,
    days_still_dry,
)


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
    """The gaps that touch the window, and the days of each in each month (G, M); ``unread``: exchanges without a reading."""

    gaps: list[Gap]
    days: Floats
    unread: list[int]


def dryness_of(ground: Ground) -> Dryness:
    """Each unit is judged by its own earlier visits, so that what was said of a month is not moved by later ones.

    Before a unit has visits, its cartridge's nominal dose counts, with the spread of ``dose.PRIOR_DOSE``.
    """
    units = [
        at
        for at, one in enumerate(ground.walked)
        if (one.intervals or one.tails) and ground.liquids[at].nominal_ml_per_day
    ]
    gaps = list(_gaps(ground, units)) if units else []
    unread = [
        ground.local_days(site)(one.ended_s)
        for walked in ground.walked
        for one, site in zip(walked.intervals, walked.interval_sites, strict=True)
        if not one.is_read
    ]
    starts, ends = (days.astype(np.float64) for days in (ground.window.starts, ground.window.ends))
    gaps = [one for one in gaps if one.until > starts[0] and one.since < ends[-1]]
    if not gaps:
        return Dryness([], np.zeros((0, len(starts))), unread)
    site = np.array([one.site for one in gaps], np.int64)
    since, until = (np.array([one[at] for one in gaps], np.float64)[:, None] for at in (2, 3))
    days = ground.open_until(site, np.clip(until, starts, ends)) - ground.open_until(
        site, np.clip(since, starts, ends)
    )
    return Dryness(gaps, days, unread)


def _gaps(ground: Ground, units: list[int]) -> Iterator[Gap]:
    nominal = np.array([ground.liquids[at].nominal_ml_per_day for at in units], np.float64)
    rows = [ground.walked[at].intervals for at in units]
    slots = max([1, *(len(own) for own in rows)])
    readings = readings_of([[one.balance() for one in own] for own in rows], slots=slots)
    posterior = fold_posterior(readings, nominal, np.full(len(units), PRIOR_DOSE.mean), PRIOR_DOSE)
    yield from _seen_gaps(ground, units, rows, _Expected(readings, posterior))
    dose = nominal * np.exp(posterior.mean)
    now_s = int(ground.now.timestamp())
    for at, per_day in zip(units, dose.tolist(), strict=True):
        for tail in ground.walked[at].tails:
            ended_s = now_s if tail.ended_s is None else tail.ended_s
            days = np.array([(ended_s - tail.started_s) / 86_400])
            dry = float(days_still_dry(days, np.array([tail.available_ml / per_day]))[0])
            if dry >= SHORTEST_GAP_DAYS:
                end = ground.local_days(tail.site).exact(ended_s)
                yield Gap(at, tail.site, end - dry, end, is_seen=False)


class _Expected:
    """By unit and slot: the median time to the last drop, and the spread of its log, by the visits before the slot."""

    def __init__(self, readings: Readings, posterior: Posterior) -> None:
        known = posterior.expected_ml > 0
        per_day = posterior.expected_ml / np.where(known, readings.days, 1.0)
        self.days = np.where(known, readings.available_ml / np.where(known, per_day, 1.0), 0.0)
        usable = readings.usable().astype(np.int64)
        earlier = np.cumsum(usable, axis=1) - usable
        visit = PRIOR_DOSE.visit_sd**2
        self.spread = np.sqrt(visit + 1 / (1 / PRIOR_DOSE.between_sd**2 + earlier / visit))
        self.slots = readings.slots


def _seen_gaps(
    ground: Ground, units: list[int], rows: list[list[Interval]], expected: _Expected
) -> Iterator[Gap]:
    found = [
        (row, slot, at)
        for row, own in enumerate(rows)
        for at, slot in enumerate(range(expected.slots - len(own), expected.slots))
        if own[at].was_dry and expected.days[row, slot] > 0
    ]
    if not found:
        return
    row, slot, _ = (np.array(column, np.int64) for column in zip(*found, strict=True))
    days = np.array([(rows[r][at].ended_s - rows[r][at].started_s) / 86_400 for r, _, at in found])
    dry = days_dry(days, expected.days[row, slot], expected.spread[row, slot], np.ones(len(found), np.bool_))
    for (r, _, at), length in zip(found, dry.tolist(), strict=True):
        if length >= SHORTEST_GAP_DAYS:
            site = ground.walked[units[r]].interval_sites[at]
            end = ground.local_days(site).exact(rows[r][at].ended_s)
            yield Gap(units[r], site, end - length, end, is_seen=True)
