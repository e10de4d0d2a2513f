"""Which due days were met: the due days of units, those of a site that were exchanged on the same days looked at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np

from accounts import clock
from servicing.queries.months.ground import Ground
from servicing.rules.due import DueDay
from servicing.rules.months import Ints, Tenure
from servicing.rules.punctuality import Kept, kept_due_days


class KeptBy(NamedTuple):
    """A due day of a unit whose grace has ended."""

    tenure: Tenure
    kept: Kept


class Punctual(NamedTuple):
    """Due days asked and met in grace, by month (M,)."""

    asked: Ints
    met: Ints


@dataclass(frozen=True, slots=True)
class Alike:
    """Units that hung at one site from and until the same days and were exchanged on the same ones."""

    tenures: list[Tenure]
    exchanges: list[int]
    kept: list[Kept]


class DueDays:
    """The due days of the window whose grace has ended by now."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self._of_site: dict[int, list[DueDay]] = {}
        found: dict[tuple[int, int, int, bytes], Alike] = {}
        for tenure, days in zip(ground.tenures, _by_tenure(ground), strict=True):
            key = (tenure.site, tenure.since, tenure.until, days.tobytes())
            if key in found:
                found[key].tenures.append(tenure)
            else:
                exchanges = days.tolist()
                found[key] = Alike([tenure], exchanges, self._look(tenure, exchanges))
        self.alike = list(found.values())

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

    def by_month(self) -> Punctual:
        window = self.ground.window
        units = np.array([len(one.tenures) for one in self.alike for _ in one.kept], np.int64)
        days = np.array([kept.due_on.toordinal() for one in self.alike for kept in one.kept], np.int64)
        in_time = np.array([kept.in_time for one in self.alike for kept in one.kept], np.bool_)
        place, months = window.places(days), len(window.months)
        asked = np.bincount(place, units, months)
        met = np.bincount(place[in_time], units[in_time], months)
        return Punctual(asked.astype(np.int64), met.astype(np.int64))

    def since(self, month: date) -> Iterator[KeptBy]:
        """The due days from a month's first on, unit by unit."""
        for one in self.alike:
            of_month = [kept for kept in one.kept if kept.due_on >= month]
            for tenure in one.tenures:
                for kept in of_month:
                    yield KeptBy(tenure, kept)


def _by_tenure(ground: Ground) -> list[Ints]:
    """The days of the exchanges of each tenure, in order."""
    exchanges = ground.charges.exchanges
    order = np.argsort(exchanges.tenure, kind="stable")
    count = np.bincount(exchanges.tenure, minlength=len(ground.tenures))
    # What follows the last tenure's days is nobody's.
    return np.split(exchanges.day[order], np.cumsum(count))[: len(ground.tenures)]
