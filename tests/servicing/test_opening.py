"""Opening states as the office records them: each unit with its own answer, and what is so of the unit then."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import uuid4

import pytest

from accounts import clock
from accounts.errors import Forbidden
from accounts.permissions import Actor, ActorKind, Permission, Role
from fleet import commands as fleet_commands
from servicing.commands import correcting, installing, office, sweeps
from servicing.commands.opening import Opening, judge_openings, record_openings
from servicing.commands.uploads import upload_events
from servicing.queries import fleet_state, history, learning
from servicing.queries.events import unit_events
from servicing.queries.service_figures import service_figures
from tests.cast import NOON, Cast

TODAY = date(2026, 6, 15)


def known(cast: Cast, **said) -> Opening:
    """The cast's first unit: exchanged on 12 June, so that the due day of 10 June is met."""
    values = {
        "unit_id": cast.unit.id,
        "station_id": cast.stations[0].id,
        "as_of": TODAY,
        "installed_on": date(2024, 3, 1),
        "last_exchange_on": date(2026, 6, 12),
        "cartridge_id": cast.cartridge.id,
        "wick_fitted_on": date(2026, 1, 12),
        "reservoir_cleaned_on": date(2026, 3, 9),
        **said,
    }
    return Opening(**values)


def bare(cast: Cast, number: int = 0, **said) -> Opening:
    values = {
        "unit_id": cast.units[number].id,
        "station_id": cast.stations[number].id,
        "as_of": TODAY,
        **said,
    }
    return Opening(**values)


def recorded(cast: Cast, *openings: Opening) -> list[str]:
    return [one.fate for one in record_openings(actor=cast.dispatcher, openings=openings)]


def wrong(cast: Cast, *openings: Opening) -> list[list[tuple[str, str]]]:
    fates = record_openings(actor=cast.dispatcher, openings=openings)
    return [[(one.pointer, one.code) for one in fate.problems] for fate in fates]


def view_of(cast: Cast, number: int = 0):
    with cast.reading():
        return fleet_state.get_unit_view(cast.units[number].id)


def types_of(cast: Cast, number: int = 0) -> list[str]:
    with cast.reading():
        return [str(event.type) for event in unit_events(cast.units[number].id)]


def test_a_unit_hangs_from_then_on_with_what_is_known_of_it(north):
    assert recorded(north, known(north)) == ["recorded"]

    view = view_of(north)
    assert (view.status, view.site_id, view.station) == ("up", north.site.id, "1")
    # 03:00 in Berlin on 15 June is 01:00 UTC; nobody named what was in the cartridge, so it was full.
    assert view.history.opened_at == "2026-06-15T01:00:00.000000+00:00"
    assert (view.history.charge_ml, view.history.charged_at) == (280, "2026-06-12T01:00:00.000000+00:00")
    # The agreement's anchor is the 10th: exchanged on 12 June within grace, it is due again on 10 July.
    assert (view.segment.due_on, view.band) == (date(2026, 7, 10), "ahead")
    # 280 mL at the cartridge's nominal 8 mL a day last 35 days, as for one that was installed on that day (test_sweep).
    assert view.outlook.dry_on == date(2026, 7, 17)
    assert view.outlook.wick_since_on == date(2026, 1, 12)
    # Six months after the last cleaning.
    assert view.outlook.clean_due_on == date(2026, 9, 9)


def test_the_due_day_counts_from_the_last_exchange_even_if_that_was_missed_before(north):
    # Last exchanged on 9 May, the due day of 10 May; that of 10 June is open, whoever missed it.
    recorded(north, known(north, last_exchange_on=date(2026, 5, 9)))

    assert view_of(north).segment.due_on == date(2026, 6, 10)
    clock.set_to(datetime(2026, 6, 20, 12, tzinfo=UTC))
    sweeps.sweep(actor=north.owner)
    with north.reading():
        alerts = {(alert.kind, alert.first_day) for alert in fleet_state.open_alerts()}
    assert ("past_grace", date(2026, 6, 14)) in alerts


def test_of_a_unit_nobody_knows_more_of_due_days_count_from_its_day_and_nothing_else_is_said(north):
    recorded(north, bare(north))

    view = view_of(north)
    assert view.segment.due_on == date(2026, 7, 10)
    unknown = (view.outlook.dry_on, view.outlook.dose_ml_per_day, view.outlook.wick_since_on)
    assert unknown == (None, None, None)
    assert view.outlook.wick_watch_from is None


def test_the_same_again_is_recorded_once_and_other_content_is_refused(north):
    assert recorded(north, known(north), bare(north, 1)) == ["recorded", "recorded"]
    clock.set_to(NOON + timedelta(hours=3))

    assert recorded(north, known(north), bare(north, 1)) == ["duplicate", "duplicate"]
    assert wrong(north, known(north, left_ml=40)) == [[("/unit_id", "opened")]]
    assert types_of(north) == ["unit.opened"]


def test_one_that_is_refused_sinks_no_other_and_each_says_what_is_wrong(north):
    north.upload(north.installed(north.units[2], NOON - timedelta(days=9), station=2))
    elsewhere = uuid4()
    openings = [
        known(north),
        bare(north, 1, station_id=north.stations[0].id),
        bare(north, 2),
        bare(north, 1, station_id=north.stations[2].id),
        bare(north, 1, unit_id=elsewhere, station_id=elsewhere, cartridge_id=elsewhere),
        bare(north, 1, as_of=date(2026, 6, 16)),
        bare(north, 1, last_exchange_on=date(2026, 6, 16), charge_ml=280),
    ]

    expected = [
        [],
        [("/station_id", "taken")],
        [("/unit_id", "installed")],
        [("/station_id", "taken")],
        [("/unit_id", "not-found"), ("/station_id", "not-found"), ("/cartridge_id", "not-found")],
        [("/as_of", "later")],
        [("/cartridge_id", "missing")],
    ]
    with north.reading():
        judged = judge_openings(openings)

    assert [[(one.pointer, one.code) for one in problems] for problems in judged] == expected
    assert types_of(north) == []
    assert wrong(north, *openings) == expected
    assert types_of(north) == ["unit.opened"]
    assert types_of(north, 1) == []


def test_a_rivals_unit_station_and_cartridge_are_as_absent_as_any(north, south):
    said = bare(
        north,
        unit_id=south.unit.id,
        station_id=south.stations[0].id,
        cartridge_id=south.cartridge.id,
    )

    problems = wrong(north, said)
    assert [code for _, code in problems[0]] == ["not-found"] * 3
    assert types_of(south) == []


def test_more_than_a_slice_of_them_are_recorded_each_once(north):
    room = north.stations[0].restroom_id
    model = north.unit.unit_model_id
    units = fleet_commands.print_labels(actor=north.owner, unit_model_id=model, count=130)
    stations = fleet_commands.add_stations(
        actor=north.owner,
        stations=[{"restroom_id": room, "name": f"S{n}", "fixture": "urinal"} for n in range(130)],
    )
    openings = [bare(north, unit_id=u.id, station_id=s.id) for u, s in zip(units, stations, strict=True)]

    assert recorded(north, *openings[:70]) == ["recorded"] * 70
    assert recorded(north, *openings) == ["duplicate"] * 70 + ["recorded"] * 60
    with north.reading():
        assert fleet_state.unit_states().filter(site_id=north.site.id).count() == 130


def opened_event(cast: Cast, **rest):
    event = cast.event(
        "unit.opened", cast.unit, NOON, station_id=cast.stations[0].id, as_of=rest.pop("as_of", TODAY), **rest
    )
    del event["device_sequence"]
    return event


def test_a_phone_and_who_does_not_manage_the_fleet_may_not_say_how_it_stood(north):
    sent = opened_event(north)
    (by_phone,) = north.upload({**sent, "device_sequence": 900})
    (by_crew,) = upload_events(actor=north.actors[Role.CREW_MEMBER], events=[sent])
    recorder = Actor(
        north.operator.id,
        ActorKind.CLIENT,
        Role.OWNER,
        uuid4(),
        scopes=frozenset({Permission.EVENTS_RECORD}),
    )
    (by_program,) = upload_events(actor=recorder, events=[sent])

    assert [(one.fate, one.code) for one in (by_phone, by_crew, by_program)] == [
        ("refused", "office-only")
    ] * 3
    with pytest.raises(Forbidden):
        record_openings(actor=north.actors[Role.CREW_MEMBER], openings=[known(north)])
    assert types_of(north) == []


def test_an_upload_of_the_office_is_taken_and_its_day_is_that_of_its_time(north):
    (another_day,) = upload_events(
        actor=north.dispatcher, events=[opened_event(north, as_of=date(2026, 6, 13))]
    )
    (taken,) = upload_events(actor=north.dispatcher, events=[opened_event(north, left_ml=90)])

    assert (another_day.fate, another_day.code) == ("refused", "another-day")
    assert taken.fate == "accepted"
    assert view_of(north).history.level_ml == 90


def test_undone_it_hangs_nowhere_and_may_be_said_again_otherwise(north):
    record = record_openings(actor=north.dispatcher, openings=[known(north)])[0]
    office.counter_event(actor=north.dispatcher, event_id=record.event_id, reason="wrong_entry")

    assert view_of(north).status == "printed"
    assert wrong(north, known(north)) == [[("/unit_id", "undone")]]
    assert recorded(north, known(north, left_ml=100)) == ["recorded"]
    assert view_of(north).history.level_ml == 100


def test_corrected_it_says_what_it_should_have_said(north):
    record = record_openings(actor=north.dispatcher, openings=[known(north)])[0]
    with north.reading():
        (event,) = unit_events(north.unit.id)
    made = uuid4()
    correcting.correct_event(
        actor=north.dispatcher,
        event_id=record.event_id,
        occurred_at=event.occurred_at,
        payload={
            "station_id": str(north.stations[1].id),
            "as_of": "2026-06-15",
            "last_exchange_on": "2026-05-09",
        },
        reason="wrong_entry",
        id=made,
        counter_id=uuid4(),
    )

    view = view_of(north)
    assert (view.station, view.segment.due_on, view.history.charge_ml) == ("2", date(2026, 6, 10), None)
    assert view.history.findings == []


def test_a_unit_of_an_unknown_cartridge_is_not_moved_before_somebody_says_what_is_in_it(north):
    recorded(north, bare(north))
    work = installing.Work(uuid4(), north.unit.id, NOON, "none")

    with pytest.raises(installing.Conflict) as refused:
        installing.move_unit(actor=north.dispatcher, work=work, station_id=north.stations[1].id)
    assert refused.value.errors[0].code == "cartridge-unknown"

    north.upload(north.exchanged(at=NOON))
    installing.move_unit(actor=north.dispatcher, work=work, station_id=north.stations[1].id)
    assert view_of(north).station == "2"


def test_what_was_done_before_counts_in_no_figure_of_punctuality(north):
    recorded(north, known(north))
    with north.reading():
        before = service_figures().units
    # By then the due day of 10 July has come and gone, the one that the operator was here for.
    clock.set_to(datetime(2026, 7, 20, 12, tzinfo=UTC))
    with north.reading():
        after = service_figures().units

    assert (before, after) == (0, 1)


def test_no_wick_that_was_there_teaches_how_long_wicks_last(north):
    recorded(north, known(north, wick_condition="good"))
    with north.reading():
        (unit,) = [one for one in learning.units_learnt(learning.told()) if one.unit_id == str(north.unit.id)]

    assert unit.wick_since_s is not None
    assert unit.wick_good_s is None


def test_before_its_day_nothing_is_known_of_it_and_then_it_is_its_past(north):
    recorded(north, known(north, as_of=date(2026, 6, 13)))
    with north.reading():
        before = history.unit_state(north.unit.id, as_of=datetime(2026, 6, 12, 12, tzinfo=UTC))
        after = history.unit_state(north.unit.id, as_of=datetime(2026, 6, 13, 12, tzinfo=UTC))
        differs = history.difference(north.unit.id, 0)

    assert (before.view.status, after.view.status) == ("printed", "up")
    assert {"opened_at", "said_installed_on", "status"} <= {one.field for one in differs.changes}


def test_a_dose_that_was_set_is_that_of_its_forecast(north):
    recorded(north, known(north, dose_ml_per_day=Decimal("5.6")))

    # 280 mL at 5.6 mL a day are 50 days from 12 June.
    assert view_of(north).outlook.dry_on == date(2026, 8, 1)
