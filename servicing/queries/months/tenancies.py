"""Where units hung and which wicks they had, walked through their events; and the days of the calendar in many zones."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import NamedTuple

import numpy as np

from accounts import clock
from servicing.queries.months.reading import UNREAD, Said
from servicing.rules.lifetimes.wick_life import Label
from servicing.rules.months import Floats, Ints, Tenure, WickSpan

ENDLESS = 4_000_000  # an ordinal that nobody lives to see
ENDLESS_S = 2**35


class Days:
    """Days of the calendar in one zone, from the earliest instant asked about on."""

    def __init__(self, zone: str, first: date, last: date) -> None:
        tz = clock.zone_of(zone)
        self.first = first.toordinal()
        self.midnights = [
            int(datetime.combine(date.fromordinal(day), time.min, tz).astimezone(UTC).timestamp())
            for day in range(self.first, last.toordinal() + 2)
        ]
        self._midnights = np.array(self.midnights, np.int64)

    def __call__(self, at_s: int) -> int:
        """The day of an instant."""
        return self.first + bisect_right(self.midnights, at_s) - 1

    def of_many(self, at_s: Ints) -> tuple[Ints, Floats]:
        """The days of instants (N,), and how far each day had gone by then."""
        place = np.searchsorted(self._midnights, at_s, "right") - 1
        return place + self.first, (at_s - self._midnights[place]) / 86_400


class Hung(NamedTuple):
    """A time for which a unit hung: filled with ``charge_ml`` at its start (``UNREAD`` where nobody knew that of one that
    hung already); ``ended_s`` endless while it hangs; its last site.
    """

    unit: int
    started_s: int
    ended_s: int
    charge_ml: int
    site: int


@dataclass(frozen=True, slots=True)
class WickChange:
    unit: int
    site: int
    day: int
    reason: str


@dataclass(slots=True)
class Walked:
    """What all units' events come to; ``tenures`` in the order of units and times."""

    tenures: list[Tenure] = field(default_factory=list)
    hung: list[Hung] = field(default_factory=list)
    wicks: list[WickSpan] = field(default_factory=list)
    changes: list[WickChange] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Map:
    """The place of each station's site; per site its days and the kind and water class; per unit its liquid's family."""

    stations: dict[str, int]
    days: list[Days]
    labels: list[tuple[str, str]]
    families: list[str]


def walk(by_unit: Iterable[tuple[int, list[Said]]], places: Map) -> Walked:
    """Each unit's events in canonical order, those of other kinds passed over."""
    walked = Walked()
    for unit, events in by_unit:
        step = _Walk(places, unit, walked)
        for one in events:
            if one.type in {"unit.installed", "unit.moved"}:
                step.place(one)
            elif one.type == "unit.opened":
                step.open(one)
            elif one.type == "wick.changed":
                step.change_wick(one)
            elif one.type == "unit.withdrawn":
                step.withdraw(one)
        step.end()
    return walked


class _Walk:
    """Where one unit stands while its events are walked through."""

    def __init__(self, places: Map, unit: int, walked: Walked) -> None:
        self.places, self.unit, self.walked = places, unit, walked
        self.site: int | None = None
        self.since = self.since_s = 0
        self.filled: tuple[int, int] | None = None
        self.born: int | None = None
        self.entered = 0
        self.was_here = False

    def place(self, said: Said) -> None:
        at_s, site = said.at_us // 1_000_000, self.places.stations.get(said.ref or "")
        was = self.site
        if site is None or (said.type == "unit.moved" and was is None):
            return
        if site != was:
            day = self.places.days[site](at_s)
            self._leave(day, at_s)
            self.site, self.since, self.since_s = site, day, at_s
        if was is None:
            self.was_here, self.entered = True, 0
            self.filled = (at_s, said.charge_ml or 0)
            self.born = self.since if said.word == "new" else None

    def open(self, said: Said) -> None:
        """One that hung already, if the log knows nothing of it yet; else a finding of the fold."""
        if self.was_here:
            return
        self.place(said)
        if self.site is not None and self.filled is not None:
            self.filled = (self.filled[0], UNREAD if said.charge_ml is None else said.charge_ml)
            self.entered = self.since
            self.born = date.fromisoformat(said.word).toordinal() if said.word else None

    def change_wick(self, said: Said) -> None:
        if self.site is None:
            return  # said of a unit that hangs nowhere: a finding of the fold
        day = self.places.days[self.site](said.at_us // 1_000_000)
        self._end_wick(day)
        self.walked.changes.append(WickChange(self.unit, self.site, day, said.word))
        self.born, self.entered = day, 0

    def withdraw(self, said: Said) -> None:
        if self.site is not None:
            at_s = said.at_us // 1_000_000
            self._take_down(self.places.days[self.site](at_s), at_s)
            self.site, self.filled, self.born = None, None, None

    def end(self) -> None:
        if self.site is not None:
            self._take_down(ENDLESS, ENDLESS_S)

    def _take_down(self, day: int, at_s: int) -> None:
        assert self.site is not None, "it hangs"
        assert self.filled is not None, "it was filled when it was installed"
        self._end_wick(day)
        self.walked.hung.append(Hung(self.unit, self.filled[0], at_s, self.filled[1], self.site))
        self._leave(day, at_s)

    def _leave(self, day: int, at_s: int) -> None:
        if self.site is not None:
            until = max(day, self.since)
            self.walked.tenures.append(Tenure(self.unit, self.site, self.since, until, self.since_s, at_s))

    def _end_wick(self, day: int) -> None:
        assert self.site is not None, "it hangs"
        if self.born is not None and day > self.born:
            label: Label = (*self.places.labels[self.site], self.places.families[self.unit])
            self.walked.wicks.append(WickSpan(self.born, day, label, self.entered))
