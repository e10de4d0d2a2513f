"""The log as billing reads it: what stands at a position, who had work where, and when services were due."""

from datetime import date
from uuid import UUID, uuid4

from accounts.queries import AgreedTerms
from servicing.queries import events as log
from servicing.queries import worked
from tests.billing.books import on


def test_what_falls_to_a_correction_is_known_with_what_it_falls_to_as_of_a_position(north):
    work = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), work)
    with north.reading():
        before = log.head_position()
    counter = north.event("event.countered", north.unit, on(5, 4), corrects=work["id"], reason="not_done")
    north.upload(counter)
    with north.reading():
        now = log.head_position()
        assert worked.superseded_upto(before) == {}
        assert worked.superseded_upto(now) == {UUID(work["id"]): UUID(counter["id"])}
        assert worked.corrected_after(before, upto=now) == {north.unit.id}
        assert worked.corrected_after(now, upto=now) == set()


def test_work_is_read_from_a_position_on_with_what_matters_of_before(north):
    early = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), early)
    with north.reading():
        position = log.head_position()
    late = north.exchanged(at=on(5, 2))
    north.upload(late)
    with north.reading():
        upto = log.head_position()
        rows = worked.work_of(
            [north.unit.id], upto=upto, superseded={}, after=position, besides=worked.TENURE
        )
        whole = worked.work_of([north.unit.id], upto=upto, superseded={})
    assert sorted((row.type, row.is_new) for row in rows) == [
        ("cartridge.exchanged", True),
        ("unit.installed", False),
    ]
    assert len(whole) == 3
    assert next(row for row in rows if row.is_new).event_id == UUID(late["id"])


def test_visits_are_known_by_the_sites_they_name_and_units_by_their_stations(north):
    visit = uuid4()
    north.upload(
        north.installed(at=on(4, 1)),
        north.event("unit.moved", north.unit, on(4, 9), station_id=north.stations[1].id),
        north.event("visit.made", visit, on(4, 9), site_id=north.site.id, outcome="served"),
    )
    with north.reading():
        upto = log.head_position()
        assert list(worked.sites_of_visits(0, upto=upto)) == [(visit, [north.site.id])]
        assert list(worked.sites_of_visits(upto, upto=upto)) == []
        hung = set(worked.stations_of_units(upto=upto))
        named = {(n.subject_kind, n.is_late) for n in worked.named_after(0, upto=upto, before=on(4, 5))}
        first = worked.first_installed(upto=upto, superseded={})
    assert hung == {(north.unit.id, station.id) for station in north.stations[:2]}
    assert named == {("unit", True), ("visit", False)}
    assert first == on(4, 1)


def test_due_days_come_with_the_day_on_which_each_opens():
    # Anchored on the 10th with five days of grace before; a standstill's last day is a due day of its own.
    terms = AgreedTerms(date(2026, 1, 10), 1, 5, 3, date(2026, 4, 1), None)
    pause = (date(2026, 5, 8), date(2026, 5, 20))
    assert worked.due_windows([terms], [pause], date(2026, 6, 30)) == [
        (date(2026, 4, 10), date(2026, 4, 5)),
        (date(2026, 5, 20), date(2026, 5, 15)),
        (date(2026, 6, 10), date(2026, 6, 5)),
    ]
