"""The rows behind each figure of a month sheet; what they add comes to the figure's own sum."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from uuid import UUID

import numpy as np

from accounts import queries as accounts
from fleet import queries as fleet
from servicing.queries.months.incidents import NOT_ADMITTED, visit_rows
from servicing.queries.months.sheet import Figure, Material

LOST, GAINED = "lost", "gained"
MISSED, MET_LATE, MET = "missed", "met_late", "met"
SEEN, EXPECTED = "seen", "expected"
CAME_BACK, HELD = "came_back", "held"


@dataclass(frozen=True, slots=True)
class Row:
    """One event or day behind a figure: where, ``kind`` as the figure's own words name it, from a day to another.

    ``adds`` is what it adds to the figure's top; ``number`` a further number of it (days, minutes, visits).
    """

    on: date
    kind: str
    adds: float
    unit: int | None = None
    site: int | None = None
    until: date | None = None
    number: float | None = None
    unit_code: str = ""
    site_code: str = ""
    site_name: str = ""
    crew: str = ""


def rows_behind(material: Material, figure: Figure) -> list[Row]:
    """The rows behind the figure of the material's last month, what wants looking at first."""
    rows = list(_ROWS[figure](material, len(material.window.months) - 1))
    return _named(material, rows)


def _units(material: Material, at: int) -> Iterator[Row]:
    yield from _came_and_went(material, at, 0)


def _sites(material: Material, at: int) -> Iterator[Row]:
    yield from _came_and_went(material, at, 1)


def _came_and_went(material: Material, at: int, which: int) -> Iterator[Row]:
    on = material.window.last_on
    start = date.fromordinal(int(material.window.starts[at]) - 1)
    last_site = {one.unit: one.site for one in sorted(material.ground.tenures, key=lambda one: one.since_s)}
    for kind, places in ((LOST, material.standing.lost(at)), (GAINED, material.standing.gained(at))):
        for place in places[which].tolist():
            unit, site = (place, last_site.get(place)) if which == 0 else (None, place)
            yield Row(on if kind == GAINED else start, kind, 1.0 if kind == GAINED else -1.0, unit, site)


def _due_days(material: Material, at: int) -> Iterator[Row]:
    month = material.window.months[at]
    found = []
    for tenure, kept in material.due_days.since(month):
        kind = MET if kept.in_time else MET_LATE if kept.met_on else MISSED
        found.append(Row(kept.due_on, kind, float(kept.in_time), tenure.unit, tenure.site, until=kept.met_on))
    order = {MISSED: 0, MET_LATE: 1, MET: 2}
    yield from sorted(found, key=lambda row: (order[row.kind], row.on, row.site or 0))


def _dry_days(material: Material, at: int) -> Iterator[Row]:
    days = material.dryness.days[:, at] if material.dryness.gaps else np.zeros(0)
    for place in np.argsort(-days, kind="stable").tolist():
        if days[place] > 0:
            gap = material.dryness.gaps[place]
            yield Row(
                date.fromordinal(int(gap.since)),
                SEEN if gap.is_seen else EXPECTED,
                float(days[place]),
                gap.unit,
                gap.site,
                until=date.fromordinal(int(gap.until)),
                number=float(days[place]),
            )


def _wicks(material: Material, at: int) -> Iterator[Row]:
    for one in material.wicks.changes:
        if material.window.place(one.day) == at:
            yield Row(date.fromordinal(one.day), one.reason, 1.0, one.unit, one.site)


def _reports(material: Material, at: int) -> Iterator[Row]:
    for one in material.reports:
        if material.window.place(one.day) == at:
            closed = None if one.closed_day is None else date.fromordinal(one.closed_day)
            yield Row(date.fromordinal(one.day), one.kind, 1.0, one.unit, one.site, until=closed)


def _faults(material: Material, at: int) -> Iterator[Row]:
    for one in material.faults:
        if material.window.place(one.day) == at:
            closed = None if one.closed_day is None else date.fromordinal(one.closed_day)
            yield Row(date.fromordinal(one.day), one.mode, 1.0, one.unit, one.site, until=closed)


def _not_admitted(material: Material, at: int) -> Iterator[Row]:
    places = {site.id: place for place, site in enumerate(material.ground.sites)}
    for visit in visit_rows(material.window.months[at], material.window.last_on):
        if visit.outcome == NOT_ADMITTED:
            yield Row(visit.day, visit.reason, 1.0, site=places.get(visit.site_id))


def _first_go(material: Material, at: int) -> Iterator[Row]:
    found = [
        Row(
            date.fromordinal(one.day),
            CAME_BACK if one.came_back else HELD,
            float(not one.came_back),
            one.unit,
            one.site,
            until=date.fromordinal(one.closed_day),
        )
        for one in material.faults
        if one.is_judged and one.closed_day is not None and material.window.place(one.closed_day) == at
    ]
    yield from sorted(found, key=lambda row: (row.adds, row.on))


def _restored(material: Material, at: int) -> Iterator[Row]:
    found = [
        Row(
            date.fromordinal(one.day),
            one.kind,
            one.open_days,
            one.unit,
            one.site,
            until=date.fromordinal(one.closed_day),
            number=one.open_days,
        )
        for one in material.reports
        if one.closed_day is not None
        and one.open_days is not None
        and material.window.place(one.closed_day) == at
    ]
    yield from sorted(found, key=lambda row: -row.adds)


def _crew_load(material: Material, at: int) -> Iterator[Row]:
    names = {crew.id: crew.name for crew in accounts.crews()}
    sums: dict[tuple[date, UUID], list[int]] = {}
    for visit in visit_rows(material.window.months[at], material.window.last_on):
        if visit.crew_id is not None:
            of_day = sums.setdefault((visit.day, visit.crew_id), [0, 0])
            of_day[0] += visit.minutes or 0
            of_day[1] += 1
    for (day, crew_id), (minutes, visits) in sorted(sums.items(), key=lambda pair: pair[0]):
        yield Row(day, "", float(minutes), number=float(visits), crew=names.get(crew_id, ""))


_ROWS: dict[Figure, Callable[[Material, int], Iterator[Row]]] = {
    Figure.UNITS: _units,
    Figure.SITES: _sites,
    Figure.PUNCTUAL: _due_days,
    Figure.DRY: _dry_days,
    Figure.WICKS: _wicks,
    Figure.REPORTS: _reports,
    Figure.FAULTS: _faults,
    Figure.NOT_ADMITTED: _not_admitted,
    Figure.REMEDY: _first_go,
    Figure.RESTORED: _restored,
    Figure.LOAD: _crew_load,
}


def _named(material: Material, rows: list[Row]) -> list[Row]:
    """The same rows with the labels of their units and the names of their sites."""
    unit_ids, sites = material.ground.unit_ids, material.ground.sites
    codes = fleet.unit_codes({unit_ids[row.unit] for row in rows if row.unit is not None})
    return [
        Row(
            row.on,
            row.kind,
            row.adds,
            row.unit,
            row.site,
            row.until,
            row.number,
            "" if row.unit is None else codes.get(unit_ids[row.unit], ""),
            "" if row.site is None else sites[row.site].code,
            "" if row.site is None else sites[row.site].name,
            row.crew,
        )
        for row in rows
    ]
