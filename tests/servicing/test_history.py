"""Two times: what was so as of an instant, and what was known of it at a position of the log."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from accounts import clock
from accounts.errors import NotFound
from servicing.commands.office import begin_standstill, counter_event
from servicing.models import UnitState
from servicing.queries import history
from servicing.queries.events import head_position
from servicing.queries.fleet_state import get_unit_view
from tests.billing.books import APRIL, close, list_prices
from tests.cast import NOON, Cast

DAY = timedelta(days=1)


def on(month: int, day: int, year: int = 2026) -> datetime:
    return datetime(year, month, day, 9, tzinfo=UTC)


def recorded(cast: Cast, at: datetime, *events) -> int:
    """Upload these at an instant; gives the last position then."""
    with clock.playing(at):
        assert {fate.fate for fate in cast.upload(*events)} == {"accepted"}
    return head(cast)


def head(cast: Cast) -> int:
    with cast.reading():
        return head_position()


def state(cast: Cast, **asked):
    with cast.reading():
        return history.unit_state(cast.unit.id, **asked)


def dose(cast: Cast, at: datetime, ml: str, **rest):
    return cast.event("dose.set", cast.unit, at, dose_ml_per_day=ml, **rest)


def test_known_at_the_head_with_no_instant_is_the_stored_state(north):
    visit = north.exchanged(at=on(5, 10))
    recorded(
        north,
        on(6, 1),
        north.installed(at=on(4, 2)),
        visit,
        north.event("fault.found", north.unit, on(5, 10), mode="PLU", detection="visit_check"),
        north.event("report.received", north.unit, on(5, 11), kind="odour"),
        north.exchanged(at=on(6, 20)),  # a clock ahead: a finding
    )
    begin_standstill(
        actor=north.dispatcher,
        site_id=north.site.id,
        starts_on=date(2026, 6, 1),
        ends_on=None,
        billing="none",
    )
    counter_event(actor=north.dispatcher, event_id=visit["id"], reason="not_done")

    with north.reading():
        stored = get_unit_view(north.unit.id)
        row = UnitState.objects.get(unit_id=north.unit.id)
        found = history.unit_state(north.unit.id, known_at=head_position()).view

    assert found.history.to_json() == row.history
    assert (found.status, found.site_id) == (row.status, row.site_id) == ("down", north.site.id)
    assert (found.segment, found.band) == (stored.segment, stored.band)
    assert found.band == "standstill"
    for name in ("dose_ml_per_day", "dry_on", "dry_soon_from", "wick_since_on", "wick_watch_from"):
        assert getattr(found.outlook, name) == getattr(stored.outlook, name)
    assert (found.restroom, found.station, found.fixture) == ("Ground floor", "1", "urinal")


def test_at_every_position_it_is_the_state_that_was_stored_then(north):
    stored = []
    for event in (
        north.installed(at=on(4, 2)),
        north.exchanged(at=on(5, 10)),
        north.event("unit.moved", north.unit, on(4, 20), station_id=north.stations[1].id),
        dose(north, on(5, 1), "6.5"),
        north.event("unit.withdrawn", north.unit, on(6, 1), reason="site_closed"),
    ):
        position = recorded(north, on(6, 2), event)
        with north.reading():
            stored.append((position, UnitState.objects.get(unit_id=north.unit.id).history))

    again = [(position, state(north, known_at=position).view.history.to_json()) for position, _ in stored]

    assert again == stored
    assert state(north, known_at=stored[0][0] - 1).view.status == "printed"


def test_the_salary_that_was_raised_in_retrospect(north):
    """Worked example: Martin Fowler, "Bitemporal History" (martinfowler.com/articles/bitemporal-history.html, 2021).

    A salary of 6000 is raised to 6500 from 15 February on; the letter saying so arrives on 15 March. His table of record
    date, actual date and salary is repeated here by a set dose of 6 mL, raised to 6.5.
    """
    recorded(north, on(1, 1), north.installed(at=on(1, 1)), dose(north, on(1, 1), "6"))
    recorded(north, on(3, 15), dose(north, on(2, 15), "6.5"))
    table = [
        # recorded until, actual, dose
        (on(1, 25), on(1, 25), "6"),
        (on(2, 25), on(1, 25), "6"),
        (on(3, 25), on(1, 25), "6"),
        (on(2, 25), on(2, 25), "6"),
        (on(3, 25), on(2, 25), "6.5"),
        (on(3, 25), on(3, 25), "6.5"),
    ]

    with north.reading():
        known = {record: history.position_known_on(record) for record, _, _ in table}
    found = [
        (record, actual, state(north, as_of=actual, known_at=known[record]).view.history.set_dose_ml_per_day)
        for record, actual, _ in table
    ]

    assert found == table


def test_the_man_who_moved_and_told_nobody(north):
    """Worked example: "Temporal database", section Example (Wikipedia): John Doe's addresses and when they were learnt.

    Born on 3 April 1975 in Smallville, registered a day later; moved to Bigtown on 26 August 1994, registered on 27
    December; found out on 2 February 2001 to have lived in Beachy from 1 June 1995 to 3 September 2000. The years are
    shortened to days here (an event of 1975 would lie before the operator's agreement); the order and the rows are his.
    """
    smallville, bigtown, beachy = ("1", "2", "3")
    born, moved, to_beachy, back = on(1, 3), on(2, 26), on(3, 1), on(4, 3)

    def move(at, station):
        return north.event("unit.moved", north.unit, at, station_id=north.stations[station].id)

    first = recorded(north, born + DAY, north.installed(at=born))
    second = recorded(north, on(2, 27), move(moved, 1))
    third = recorded(north, on(5, 2), move(to_beachy, 2), move(back, 1))
    # Valid day, and where he lived by what was entered first, second and third.
    table = {
        on(1, 2): ("", "", ""),
        on(1, 10): (smallville, smallville, smallville),
        on(2, 26) - DAY: (smallville, smallville, smallville),
        on(2, 28): (smallville, bigtown, bigtown),
        on(3, 10): (smallville, bigtown, beachy),
        on(4, 10): (smallville, bigtown, bigtown),
    }

    found = {
        day: tuple(state(north, as_of=day, known_at=at).view.station for at in (first, second, third))
        for day in table
    }

    assert found == table


def test_a_late_event_changes_what_was_so_and_not_what_was_known(north):
    before = recorded(north, on(5, 1), north.installed(at=on(4, 2)))
    as_known = state(north, as_of=on(5, 20), known_at=before)
    late = north.event("fault.found", north.unit, on(5, 10), mode="PLU", detection="visit_check")
    after = recorded(north, on(6, 1), late)

    assert state(north, as_of=on(5, 20), known_at=before) == as_known
    assert as_known.view.status == "up"
    assert state(north, as_of=on(5, 20), known_at=after).view.status == "down"
    # Before it happened nothing was wrong, whenever it was learnt.
    assert state(north, as_of=on(5, 9), known_at=after).view.status == "up"


def test_a_counter_event_after_the_month_was_closed_leaves_what_the_close_knew(north):
    list_prices(north)
    changed = north.event("wick.changed", north.unit, on(4, 20), reason="age")
    recorded(north, on(4, 21), north.installed(at=on(4, 2)), changed)
    closed = close(north, APRIL)
    counter_event(actor=north.dispatcher, event_id=changed["id"], reason="not_done")

    then = state(north, as_of=on(4, 30), known_at=closed.cut_position)
    now = state(north, as_of=on(4, 30))
    with north.reading():
        difference = history.difference(north.unit.id, closed.cut_position, as_of=on(4, 30))

    assert then.view.history.wick_since == "2026-04-20T09:00:00.000000+00:00"
    assert now.view.history.wick_since == "2026-04-02T09:00:00.000000+00:00"
    # Watched 420 days after it was put in, which is the operator's default.
    watched = [str(date(2026, 4, day) + timedelta(days=420)) for day in (20, 2)]
    assert {one.field: (one.before, one.after) for one in difference.changes} == {
        "wick_since": (then.view.history.wick_since, now.view.history.wick_since),
        "wick_since_on": ("2026-04-20", "2026-04-02"),
        "wick_watch_from": tuple(watched),
    }
    assert [(one.type, str(one.corrects)) for one in difference.events] == [
        ("event.countered", changed["id"])
    ]


def difference_of(difference, field):
    return next((one.before, one.after) for one in difference.changes if one.field == field)


def test_nothing_differs_between_a_position_and_itself(north):
    position = recorded(north, on(5, 1), north.installed(at=on(4, 2)), north.exchanged(at=on(4, 30)))

    with north.reading():
        difference = history.difference(north.unit.id, position, position)

    assert (difference.changes, difference.events) == ([], [])


def test_a_correction_elsewhere_is_among_the_causes(north):
    wrong = north.exchanged(north.units[0], at=on(5, 10))
    before = recorded(north, on(5, 10), north.installed(at=on(4, 2)), wrong)
    recorded(north, on(5, 11), north.installed(north.units[1], at=on(4, 2), station=1))
    right = north.exchanged(north.units[1], at=on(5, 10), corrects=wrong["id"])
    recorded(north, on(5, 12), right)

    with north.reading():
        difference = history.difference(north.unit.id, before)

    assert [str(event.event_id) for event in difference.events] == [right["id"]]
    assert difference_of(difference, "last_exchange_at") == ("2026-05-10T09:00:00.000000+00:00", None)
    assert difference_of(difference, "due_on") == ("2026-06-10", "2026-04-10")


def test_a_replacement_after_the_instant_takes_away_what_it_replaces(north):
    wrong = north.exchanged(at=on(5, 10))
    before = recorded(north, on(5, 10), north.installed(at=on(4, 2)), wrong)
    recorded(north, on(5, 21), north.exchanged(at=on(5, 20), corrects=wrong["id"]))

    assert state(north, as_of=on(5, 15), known_at=before).view.history.last_exchange_at is not None
    assert state(north, as_of=on(5, 15)).view.history.last_exchange_at is None
    assert state(north, as_of=on(5, 20)).view.history.last_exchange_at is not None


def test_the_due_day_and_band_are_those_of_the_day_asked_about(north):
    """Anchor 10 January, monthly, grace 5 days before and 3 after: see the tests of bands."""
    recorded(north, on(4, 1), north.installed(at=on(4, 1)))
    recorded(north, on(5, 20), north.exchanged(at=on(4, 12)))

    found = [
        (str(one.view.segment.due_on), one.view.band)
        for one in (
            state(north, as_of=on(4, 11)),
            state(north, as_of=on(4, 14)),
            state(north, as_of=on(4, 30)),
        )
    ]
    with north.reading():
        then = history.position_known_on(on(4, 30))

    assert found == [("2026-04-10", "in_grace"), ("2026-05-10", "ahead"), ("2026-05-10", "ahead")]
    assert state(north, as_of=on(4, 30), known_at=then).view.band == "long_past"


def test_a_pause_counts_from_when_it_was_said_and_makes_the_difference(north):
    known = recorded(north, on(4, 1), north.installed(at=on(4, 1)))
    with clock.playing(on(5, 1)):
        begin_standstill(
            actor=north.dispatcher,
            site_id=north.site.id,
            starts_on=date(2026, 5, 2),
            ends_on=date(2026, 5, 31),
            billing="none",
        )

    assert state(north, as_of=on(5, 5), known_at=known).view.band == "long_past"
    assert state(north, as_of=on(5, 5)).view.band == "standstill"
    with north.reading():
        difference = history.difference(north.unit.id, known, as_of=on(5, 5))
    assert difference_of(difference, "band") == ("long_past", "standstill")
    assert [event.type for event in difference.events] == ["standstill.began"]


def test_a_sites_units_are_those_that_hung_there_even_if_moved_since(north):
    first = recorded(
        north,
        on(4, 3),
        *(north.installed(unit, at=on(4, 2), station=index) for index, unit in enumerate(north.units[:2])),
    )
    recorded(north, on(5, 3), north.event("unit.withdrawn", north.units[0], on(5, 2), reason="site_closed"))
    recorded(north, on(6, 3), north.installed(north.units[2], at=on(4, 10), station=2))
    first_unit, second_unit, third_unit = (unit.code for unit in north.units)

    def codes(**asked):
        with north.reading():
            return [one.view.code for one in history.site_states(north.site.id, **asked)]

    assert codes() == [second_unit, third_unit]
    assert codes(as_of=on(4, 15)) == [first_unit, second_unit, third_unit]
    assert codes(as_of=on(4, 15), known_at=first) == [first_unit, second_unit]
    assert codes(as_of=on(4, 1)) == []


def test_the_last_day_counts_to_its_end_in_the_zone():
    """Berlin left summer time on 25 October 2026 (IANA tz database): a day of 25 hours."""
    end = history.end_of_day(date(2026, 10, 25), "Europe/Berlin")
    begin = history.end_of_day(date(2026, 10, 24), "Europe/Berlin")

    assert end == datetime(2026, 10, 25, 22, 59, 59, 999999, tzinfo=UTC)
    assert end - begin == timedelta(hours=25)


def test_what_was_known_on_an_instant_is_the_last_position_received_by_then(north):
    first = recorded(north, on(4, 3), north.installed(at=on(4, 2)))
    second = recorded(north, on(5, 3), north.exchanged(at=on(4, 20)))

    with north.reading():
        known = [history.position_known_on(at) for at in (on(4, 2), on(4, 3), on(5, 2), on(5, 3), NOON)]

    assert known == [0, first, first, second, second]


def test_a_rivals_unit_and_site_are_not_there(north, south):
    recorded(south, on(4, 3), south.installed(at=on(4, 2)))

    with north.reading():
        for ask in (
            lambda: history.unit_state(south.unit.id),
            lambda: history.difference(south.unit.id, 0),
            lambda: history.site_states(south.site.id),
        ):
            with pytest.raises(NotFound):
                ask()
        assert history.unit_state(north.unit.id).view.status == "printed"
