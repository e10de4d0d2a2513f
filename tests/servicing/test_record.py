"""What a customer reads of the work: by place, as it was corrected, and of nobody else's site."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from accounts.errors import BadInput, NotFound
from accounts.ids import uuid7
from fleet import commands as fleet
from servicing import log
from servicing.commands import links as link_commands
from servicing.commands import office
from servicing.events.types import EventType, Subject
from servicing.queries import record
from tests.cast import NOON
from tests.servicing.recorded import photographed, second_room, second_site, visited

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def done(visit):
    return [(work.place.station, [kind for kind, _ in work.events]) for work in visit.work]


@pytest.fixture
def serviced(north):
    """Two units hung 40 days ago; a visit yesterday at both."""
    long_ago = NOON - 40 * DAY
    north.upload(north.installed(north.units[0], long_ago, 0), north.installed(north.units[1], long_ago, 1))
    at = NOON - DAY
    north.visit = visited(
        north,
        at,
        north.event("wick.checked", north.units[1], at + HOUR / 6, condition="good"),
        north.exchanged(north.units[1], at + HOUR / 5),
        north.exchanged(north.units[0], at + HOUR / 12),
    )
    return north


def test_the_last_visit_by_place_with_its_times(serviced):
    with serviced.reading():
        last = record.last_visit(serviced.site.id)

    assert (last.day, last.outcome) == (date(2026, 6, 14), "served")
    assert done(last) == [
        ("1", [EventType.CARTRIDGE_EXCHANGED]),
        ("2", [EventType.WICK_CHECKED, EventType.CARTRIDGE_EXCHANGED]),
    ]
    assert [work.at - (NOON - DAY) for work in last.work] == [HOUR / 12, HOUR / 6]


def test_what_was_undone_is_gone_and_what_was_corrected_reads_as_corrected(serviced):
    with serviced.reading():
        rows = record.log.events_of_visits([serviced.visit])
    exchanges = {row.subject_id: row for row in rows if row.type == "cartridge.exchanged"}
    checked = next(row for row in rows if row.type == "wick.checked")
    office.counter_event(
        actor=serviced.dispatcher, event_id=exchanges[serviced.units[0].id].event_id, reason="wrong_unit"
    )
    # A correction that does not repeat the visit belongs to it all the same.
    replaced = serviced.event(
        "wick.checked", serviced.units[1], checked.occurred_at, condition="slow", corrects=checked.event_id
    )
    serviced.upload(replaced)

    with serviced.reading():
        last = record.last_visit(serviced.site.id)

    assert [
        (work.place.station, [p.condition for _, p in work.events if hasattr(p, "condition")])
        for work in last.work
    ] == [("2", ["slow"])]


def test_a_unit_that_moved_on_is_read_where_it_hung_then(serviced):
    site, station = second_site(serviced)
    serviced.upload(serviced.event("unit.moved", serviced.units[0], NOON - HOUR, station_id=station.id))
    visited(serviced, NOON - HOUR / 2, serviced.exchanged(serviced.units[0], NOON - HOUR / 3), site=site)

    with serviced.reading():
        here, there = record.last_visit(serviced.site.id), record.last_visit(site.id)

    assert [place for place, _ in done(here)] == ["1", "2"]
    assert done(there) == [("left", [EventType.CARTRIDGE_EXCHANGED])]


def test_work_that_names_this_visit_but_hung_elsewhere_is_not_shown(serviced):
    _site, station = second_site(serviced)
    serviced.upload(serviced.installed(serviced.units[2], NOON - 3 * DAY, 2))
    serviced.upload(serviced.event("unit.moved", serviced.units[2], NOON - 2 * DAY, station_id=station.id))
    stray = serviced.exchanged(serviced.units[2], NOON - DAY)
    serviced.upload(stray | {"visit": str(serviced.visit)})
    # And one of which nobody knows yet where it hangs.
    unhung = fleet.print_labels(actor=serviced.owner, unit_model_id=serviced.unit.unit_model_id, count=1)[0]
    serviced.upload(serviced.exchanged(unhung, NOON - DAY) | {"visit": str(serviced.visit)})

    with serviced.reading():
        assert [place for place, _ in done(record.last_visit(serviced.site.id))] == ["1", "2"]


def test_a_restroom_shows_its_own_part(serviced):
    room_id, station = second_room(serviced)
    serviced.upload(serviced.installed(serviced.units[2], NOON - 5 * DAY))
    serviced.upload(serviced.event("unit.moved", serviced.units[2], NOON - 4 * DAY, station_id=station.id))
    visited(serviced, NOON - 3 * DAY, serviced.exchanged(serviced.units[2], NOON - 3 * DAY))

    with serviced.reading():
        room = record.last_visit(serviced.site.id, room_id)
        whole = record.last_visit(serviced.site.id)
        hanging = record.hanging(serviced.site.id, room_id)
        month = record.visits_between(serviced.site.id, date(2026, 6, 1), date(2026, 7, 1), room_id)

    assert (room.day, done(room)) == (date(2026, 6, 12), [("9", [EventType.CARTRIDGE_EXCHANGED])])
    assert whole.day == date(2026, 6, 14)
    assert [unit.unit_id for unit in hanging] == [serviced.units[2].id]
    assert [visit.day for visit in month] == [date(2026, 6, 12)]


def test_months_and_the_visits_of_one(serviced):
    visited(serviced, NOON - 33 * DAY, serviced.exchanged(serviced.units[0], NOON - 33 * DAY))
    turned_away = uuid7()
    serviced.upload(
        serviced.event(
            "visit.not_admitted", turned_away, NOON - 31 * DAY, site_id=serviced.site.id, reason="closed"
        )
    )

    with serviced.reading():
        months = record.months_of(serviced.site.id)
        may = record.visits_between(serviced.site.id, date(2026, 5, 1), date(2026, 6, 1))
        last = record.last_visit(serviced.site.id)

    assert months == [date(2026, 6, 1), date(2026, 5, 1)]
    assert [(visit.outcome, visit.reason) for visit in may] == [("not_admitted", "closed"), ("served", "")]
    assert last.day == date(2026, 6, 14)


def test_photos_of_an_old_visit_are_shown_however_many_came_since(serviced, monkeypatch):
    monkeypatch.setattr(record, "MOST_PHOTOS", 2)
    old = photographed(serviced, serviced.visit, NOON - DAY, serviced.units[0])
    newer = visited(serviced, NOON, serviced.exchanged(serviced.units[0], at=NOON))
    for minute in range(3):
        photographed(serviced, newer, NOON + timedelta(minutes=minute), serviced.units[0])

    with serviced.reading():
        first = record.visits_between(serviced.site.id, date(2026, 6, 14), date(2026, 6, 15))
    assert first[0].work[0].photo_ids == [old]


def test_a_photo_is_found_without_reading_what_was_done_at_other_units(serviced):
    of_unit = photographed(serviced, serviced.visit, NOON - DAY, serviced.units[0])
    read = []

    def events_of(unit_ids):
        read.append(set(unit_ids))
        return log.events_of(unit_ids)

    class Watched:
        def __getattr__(self, name):
            return events_of if name == "events_of" else getattr(log, name)

    with pytest.MonkeyPatch.context() as patch, serviced.reading():
        patch.setattr(record, "log", Watched())
        assert record.photo_of(of_unit, [serviced.site.id])[:2] == b"\xff\xd8"
    assert read == [{serviced.units[0].id}]


def test_a_photo_that_came_before_its_units_place_was_known_opens_where_it_is_shown(serviced):
    unit, visit = serviced.units[2], uuid7(NOON)
    of_unit = photographed(serviced, visit, NOON, unit)
    work = serviced.exchanged(unit, at=NOON)
    work["visit"] = str(visit)
    serviced.upload(
        serviced.installed(unit, NOON - HOUR, 2),
        work,
        serviced.event("visit.made", visit, NOON, site_id=serviced.site.id, outcome="served"),
    )

    with serviced.reading():
        assert record.photos.get_photo(of_unit).site_id is None
        assert record.last_visit(serviced.site.id).work[0].photo_ids == [of_unit]
        assert record.photo_of(of_unit, [serviced.site.id])[:2] == b"\xff\xd8"


def test_photos_are_shown_with_the_work_and_to_nobody_else(serviced):
    of_unit = photographed(serviced, serviced.visit, NOON - DAY, serviced.units[0])
    of_site = photographed(serviced, serviced.visit, NOON - DAY)
    stray = photographed(serviced, uuid7(), NOON - DAY, serviced.units[0])
    other, _station = second_site(serviced)
    room_id, _station = second_room(serviced)

    with serviced.reading():
        last = record.last_visit(serviced.site.id)
        assert last.work[0].photo_ids == [of_unit]
        assert last.photo_ids == [of_site]
        assert record.photo_of(of_unit, [serviced.site.id])[:2] == b"\xff\xd8"
        for photo_id, sites, room in (
            (of_unit, [other.id], None),
            (of_unit, [serviced.site.id], room_id),
            (of_site, [serviced.site.id], room_id),
            (stray, [serviced.site.id], None),
            (uuid7(), [serviced.site.id], None),
        ):
            with pytest.raises(NotFound):
                record.photo_of(photo_id, sites, room)


def test_safety_sheets_of_what_drips_there_the_newest_of_each_language(serviced):
    liquid_id = serviced.cartridge.liquid_id
    pdf = b"%PDF-1.7\n" + b"x" * 20 + b"\n%%EOF\n"
    for on, language in ((date(2023, 1, 1), "en"), (date(2025, 1, 1), "en"), (date(2024, 1, 1), "de")):
        fleet.add_safety_sheet(
            actor=serviced.owner,
            liquid_id=liquid_id,
            revision_on=on,
            language=language,
            content=pdf + language.encode(),
        )
    strange = fleet.add_liquid(actor=serviced.owner, name="Another", family="neutral")
    elsewhere = fleet.add_safety_sheet(
        actor=serviced.owner, liquid_id=strange.id, revision_on=date(2025, 1, 1), language="en", content=pdf
    )

    with serviced.reading():
        hanging = record.hanging(serviced.site.id)
        lines = record.liquids_of(hanging)
        assert [(line.name, [(s.revision_on.year, s.language) for s in line.sheets]) for line in lines] == [
            ("Scale remover", [(2025, "en"), (2024, "de")])
        ]
        assert record.sheet_of(lines[0].sheets[1].id, hanging).endswith(b"de")
        with pytest.raises(NotFound):
            record.sheet_of(elsewhere.id, hanging)


def test_a_restroom_shows_reports_of_its_units_and_those_it_sent_itself(serviced):
    room_id, _station = second_room(serviced)
    link, token = link_commands.make_link(actor=serviced.owner, restroom_id=room_id)
    by_link = link_commands.use_link(token=token, action="report")
    here = office.receive_report(actor=by_link, about=Subject.SITE, subject_id=serviced.site.id, kind="odour")
    of_unit = office.receive_report(
        actor=serviced.owner, about=Subject.UNIT, subject_id=serviced.units[0].id, kind="leak"
    )

    with serviced.reading():
        of_site = record.open_reports(serviced.site.id)
        of_room = record.open_reports(serviced.site.id, room_id, link.id)
        assert {line.event_id for line in of_site} == {here, of_unit}
        # Both came at the same instant, so that either may stand first.
        assert {line.place.station for line in of_site if line.place} == {"1"}
        assert [line.event_id for line in of_room] == [here]
        assert record.report_by_link(here, link.id)[0] == "odour"
        assert record.report_by_link(of_unit, link.id) is None


def test_the_list_of_a_customers_sites(serviced):
    site, _station = second_site(serviced)
    office.receive_report(actor=serviced.owner, about=Subject.SITE, subject_id=site.id, kind="odour")

    with serviced.reading():
        lines = record.site_lines([serviced.site.id, site.id])

    assert (lines[serviced.site.id].served_on, lines[serviced.site.id].open_reports) == (date(2026, 6, 14), 0)
    assert (lines[site.id].served_on, lines[site.id].open_reports) == (None, 1)


def test_a_rivals_record_is_empty(serviced, south):
    with south.reading():
        assert record.last_visit(serviced.site.id) is None
        assert record.hanging(serviced.site.id) == []
        assert record.site_lines([serviced.site.id]) == {}


def test_a_form_sent_twice_at_once_is_recorded_once_and_both_are_told_so(north, monkeypatch):
    said = {"site_id": north.site.id, "starts_on": date(2026, 7, 1), "ends_on": None, "billing": "none"}
    event_id, found = uuid7(NOON), [False]
    first = office.begin_standstill(actor=north.owner, **said, at=NOON - HOUR, id=event_id)
    stored = office._is_stored

    def once_too_early(*args):
        """The other sending is stored between this one's look and its own."""
        found.append(stored(*args))
        return found[-1] and len(found) > 2

    monkeypatch.setattr(office, "_is_stored", once_too_early)
    assert office.begin_standstill(actor=north.owner, **said, at=NOON, id=event_id) == first
    with pytest.raises(BadInput):
        office.begin_standstill(actor=north.owner, **said, at=NOON.replace(tzinfo=None), id=uuid7(NOON))
