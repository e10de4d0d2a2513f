"""What the database ranks is what the rules weigh: site by site, in the same order."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from uuid import UUID

import pytest

from accounts import clock
from servicing.queries.lookout import Asked, RankedSite, SiteLine, ranked, site_lines
from tests.benchmarks.pages.world import Size, fill
from tests.cast import NOON, Cast

ALL = 10_000


@pytest.fixture
def busy(north: Cast, superuser: Any) -> Cast:
    fill(superuser, north, Size(sites=150, units=4, late=60, in_grace=30))
    return north


def seen(row: RankedSite | SiteLine) -> tuple[Any, ...]:
    return row.code, row.name, row.area, row.crew_id, row.today, row.harm


def test_the_ranking_is_that_of_the_rules(busy: Cast) -> None:
    with busy.reading():
        lines = site_lines()
        found = ranked(Asked(), ALL)
    needing = [line for line in lines if line.harm.needs_someone]
    assert [seen(row) for row in found.rows] == [seen(line) for line in needing]
    assert len(needing) > 90
    kinds = [line.harm for line in needing]
    for name in ("leaks", "safety_reports", "other_reports", "out", "soon", "off", "not_admitted", "watched"):
        assert any(getattr(harm, name) for harm in kinds), name
    assert {harm.band for harm in kinds} >= {"in_grace", "past_grace", "long_past"}
    refused = {
        line.code: line.last_visit.day for line in needing if line.harm.not_admitted and line.last_visit
    }
    assert {row.code: row.not_admitted_on for row in found.rows if row.not_admitted_on} == refused
    assert refused


def test_totals_are_of_all_sites_whatever_is_asked_for(busy: Cast) -> None:
    with busy.reading():
        harms = [line.harm for line in site_lines()]
        found = ranked(Asked(about="late", band="long_past"), 5)
    assert found.sites == len(harms) == 151
    assert found.needing == sum(harm.needs_someone for harm in harms)
    assert found.dry_units == sum(harm.out + harm.soon for harm in harms)
    assert found.late_sites == sum(bool(harm.late) for harm in harms)
    assert found.safety == sum(harm.safety_reports + harm.leaks for harm in harms)
    assert found.not_admitted == sum(harm.not_admitted for harm in harms)
    assert found.due_sites == sum(bool(harm.in_grace) for harm in harms)
    assert found.chosen == sum(bool(harm.long_past) for harm in harms)
    assert [row.place for row in found.rows] == [1, 2, 3, 4, 5]
    assert found.worst is not None
    assert found.worst.harm == harms[0]


@pytest.mark.parametrize(
    ("asked", "holds"),
    [
        (Asked(about="safety"), lambda line: line.harm.is_safety),
        (Asked(about="dry"), lambda line: line.harm.out or line.harm.soon),
        (Asked(about="off"), lambda line: line.harm.off),
        (Asked(about="wick"), lambda line: line.harm.watched),
        (Asked(about="due"), lambda line: line.harm.in_grace),
        (Asked(about="not_admitted"), lambda line: line.harm.not_admitted),
        (Asked(band="past_grace"), lambda line: line.harm.past_grace),
        (Asked(crew="none"), lambda line: line.crew_id is None),
        (Asked(area="Reach 3", about="late"), lambda line: line.area == "Reach 3" and line.harm.late),
        (Asked(about="no such thing"), lambda line: False),
    ],
)
def test_a_filter_keeps_what_was_asked_for(busy: Cast, asked: Asked, holds: Any) -> None:
    with busy.reading():
        lines = [line for line in site_lines() if asked.about == "wick" or line.harm.needs_someone]
        found = ranked(asked, ALL)
    assert [row.code for row in found.rows] == [line.code for line in lines if holds(line)]
    assert found.chosen == len(found.rows)


def test_a_page_of_rows_begins_where_it_is_asked_to(busy: Cast) -> None:
    with busy.reading():
        whole = ranked(Asked(), ALL).rows
        assert ranked(Asked(first=21), 10).rows == whole[20:30]


def test_marks_are_of_every_site_with_a_position(busy: Cast) -> None:
    with busy.reading():
        found = ranked(Asked(), 1)
    assert len(found.marks) == 150
    assert sum(mark.place is not None for mark in found.marks) == found.chosen


def test_an_operator_without_sites_sees_nothing(north: Cast) -> None:
    with north.reading():
        found = ranked(Asked(), 10, {})
    assert (found.rows, found.worst, found.marks, found.areas) == ([], None, [], [])


def test_the_last_visit_decides_whether_a_site_waits(north: Cast) -> None:
    """Not admitted, then served at the same minute, then called off: the order is that of the rules."""
    clock.set_to(NOON)
    at = NOON - timedelta(days=2)
    north.upload(north.installed(at=NOON - timedelta(days=3)))
    visits = [
        ("01970000-0000-7000-8000-000000000002", "visit.not_admitted", {"reason": "closed"}),
        ("01970000-0000-7000-8000-000000000001", "visit.made", {"outcome": "served"}),
    ]
    for visit, kind, rest in visits:
        north.upload(north.event(kind, UUID(visit), at, site_id=north.site.id, crew_id=north.crew.id, **rest))
    with north.reading():
        assert [line.harm.not_admitted for line in site_lines()] == [False]
        assert ranked(Asked(), 10).not_admitted == 0
    assert date(2026, 6, 15) == clock.today("Europe/Berlin")
