"""Visits are planned, moved and called off once; a round says what came of them; the next visit of a site is known."""

from __future__ import annotations

from datetime import date, time, timedelta
from typing import Any
from uuid import uuid4

import pytest

from accounts import clock, tenancy
from accounts.commands import operators
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from servicing.commands import planning
from servicing.models import Event
from servicing.queries import planning as plans
from servicing.queries.pulse import pulse
from tests.cast import NOON, Cast
from tests.servicing.planned import TODAY, TOMORROW, add_site, arrive, plan


def test_a_visit_is_planned_for_the_usual_crew_once_a_site_and_day(north: Cast) -> None:
    made = plan(north, begins_at=time(9, 30))
    assert (made.crew_id, made.day, made.begins_at) == (north.crew.id, TOMORROW, time(9, 30))
    assert made.made_by_id == north.dispatcher.id
    with pytest.raises(Conflict, match="Marl Quay School on Tue 16 Jun is planned already"):
        plan(north)
    plan(north, day=TOMORROW + timedelta(days=1))


def test_the_same_visit_sent_again_is_planned_once(north: Cast) -> None:
    once = uuid4()
    assert plan(north, id=once).id == plan(north, id=once).id
    with north.reading():
        assert len(plans.planned_of(north.site.id)) == 1


def test_several_visits_are_planned_all_or_none(north: Cast) -> None:
    other = add_site(north, "S2")
    wanted = [
        {"site_id": other.id, "day": TOMORROW},
        {"site_id": north.site.id, "day": TODAY - timedelta(days=1)},
    ]
    with pytest.raises(BadInput) as refused:
        planning.plan_visits(actor=north.dispatcher, visits=wanted)
    assert [problem.pointer for problem in refused.value.errors] == ["/1/day"]
    with north.reading():
        assert plans.planned_of(other.id) == []


def test_a_day_that_has_passed_where_the_site_is_can_t_be_planned(north: Cast) -> None:
    # 15 June 12:00 UTC is 16 June, 02:00, on Kiritimati (UTC+14).
    island = add_site(north, "S3", zone="Pacific/Kiritimati")
    with pytest.raises(BadInput, match="This day has passed"):
        plan(north, island, TODAY)
    assert plan(north, island, TOMORROW).day == TOMORROW


def test_a_rival_s_site_crew_and_plan_are_not_there(north: Cast, south: Cast) -> None:
    with pytest.raises(NotFound):
        plan(north, south.site)
    with pytest.raises(BadInput, match="This crew is not there"):
        plan(north, crew_id=south.crew.id)
    theirs = plan(south)
    with pytest.raises(NotFound):
        planning.move_visit(actor=north.dispatcher, planned_visit_id=theirs.id, day=TOMORROW)
    with pytest.raises(NotFound):
        planning.call_off_visit(actor=north.dispatcher, planned_visit_id=theirs.id, reason="other")


def test_only_who_plans_may_plan(north: Cast) -> None:
    crew_member = north.actors[Role.CREW_MEMBER]
    with pytest.raises(Forbidden):
        planning.plan_visit(actor=crew_member, site_id=north.site.id, day=TOMORROW)
    with pytest.raises(Forbidden):
        planning.write_note(actor=crew_member, site_id=north.site.id, text="The gate is shut.")


def test_a_moved_visit_keeps_the_day_it_was_moved_from(north: Cast) -> None:
    made = plan(north, begins_at=time(9, 30))
    later = TOMORROW + timedelta(days=2)
    moved = planning.move_visit(actor=north.dispatcher, planned_visit_id=made.id, day=later)
    assert (moved.day, moved.moved_from_on, moved.begins_at) == (later, TOMORROW, None)
    moved = planning.move_visit(actor=north.dispatcher, planned_visit_id=made.id, begins_at=time(11))
    assert (moved.day, moved.moved_from_on, moved.begins_at) == (later, TOMORROW, time(11))
    plan(north, day=TODAY)
    with pytest.raises(Conflict):
        planning.move_visit(actor=north.dispatcher, planned_visit_id=made.id, day=TODAY)
    with pytest.raises(BadInput, match="This day has passed"):
        planning.move_visit(actor=north.dispatcher, planned_visit_id=made.id, day=TODAY - timedelta(days=1))


def test_what_was_made_is_neither_moved_nor_called_off(north: Cast) -> None:
    made = plan(north, day=TODAY)
    arrive(north, north.site)
    with pytest.raises(Conflict, match="has been there"):
        planning.move_visit(actor=north.dispatcher, planned_visit_id=made.id, day=TOMORROW)
    with pytest.raises(Conflict, match="has been there"):
        planning.call_off_visit(actor=north.dispatcher, planned_visit_id=made.id, reason="weather")


def test_a_visit_is_called_off_in_the_log_and_on_the_round_once(north: Cast) -> None:
    made = plan(north)
    planning.call_off_visit(actor=north.dispatcher, planned_visit_id=made.id, reason="customer")
    with pytest.raises(Conflict, match="called off already"):
        planning.call_off_visit(actor=north.dispatcher, planned_visit_id=made.id, reason="weather")
    with north.reading():
        events = Event.objects.filter(type="visit.called_off")
        assert [one.payload for one in events] == [
            {"crew_id": str(north.crew.id), "reason": "customer", "site_id": str(north.site.id)}
        ]
        assert events[0].actor_id == north.dispatcher.id
        assert [one.state for one in plans.round_of(north.crew.id, TOMORROW).visits] == ["called_off"]
        assert plans.rounds_on(TOMORROW)[0].visits == []
    plan(north)  # the day is free again


def test_a_failure_between_the_event_and_the_mark_leaves_no_second_event(
    north: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = plan(north)
    real = planning.record_events

    def dies_after(**sent: Any) -> None:
        real(**sent)
        raise RuntimeError("the power went")

    monkeypatch.setattr(planning, "record_events", dies_after)
    with pytest.raises(RuntimeError):
        planning.call_off_visit(actor=north.dispatcher, planned_visit_id=made.id, reason="customer")
    monkeypatch.setattr(planning, "record_events", real)
    with clock.playing(NOON + timedelta(minutes=5)):
        planning.call_off_visit(actor=north.dispatcher, planned_visit_id=made.id, reason="customer")
    with north.reading():
        assert Event.objects.filter(type="visit.called_off").count() == 1
        assert plans.get_planned_visit(made.id).called_off_reason == "customer"


def test_calling_off_a_later_visit_says_nothing_of_today_s(north: Cast) -> None:
    plan(north, day=TODAY)
    later = plan(north, day=TOMORROW)
    planning.call_off_visit(actor=north.dispatcher, planned_visit_id=later.id, reason="customer")
    with north.reading():
        assert [one.state for one in plans.round_of(north.crew.id, TODAY).visits] == ["waiting"]


def test_a_visit_planned_by_mistake_leaves_no_trace_in_the_log(north: Cast) -> None:
    made = plan(north)
    planning.take_off_visit(actor=north.dispatcher, planned_visit_id=made.id)
    with north.reading():
        assert plans.round_of(north.crew.id, TOMORROW).visits == []
        assert not Event.objects.filter(type="visit.called_off").exists()


def test_a_round_says_what_came_of_each_visit(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    second, third, fourth = (add_site(north, f"S{n}") for n in (2, 3, 4))
    for hour, site in enumerate((north.site, second, third), 8):
        plan(north, site, TODAY, begins_at=time(hour), minutes=20)
    arrive(north, second, "part_served")
    arrive(north, third, "not_admitted")
    arrive(north, fourth)
    with north.reading():
        found = plans.round_of(north.crew.id, TODAY)
        everyone = plans.rounds_on(TODAY)
    assert [(one.site.code, one.state) for one in found.visits] == [
        ("S1", "waiting"),
        ("S2", "part_served"),
        ("S3", "not_admitted"),
    ]
    assert (found.done, found.planned, found.minutes) == (2, 3, 60)
    assert found.next is found.visits[0]
    # 280 mL at the nominal 8 mL a day last 35 days, so a filling of 1 May is gone on 5 June.
    assert found.visits[0].why == "1 unit dry since Fri 5 Jun"
    assert [site.code for _, site in found.also] == ["S4"]
    assert [(one.crew, one.done, one.planned) for one in everyone] == [("Crew A", 2, 3)]


def test_a_crew_without_a_plan_has_an_empty_round_and_one_without_a_crew_stands_apart(north: Cast) -> None:
    operators.add_crew(actor=north.owner, name="Crew B")
    lonely = add_site(north, "S2", crew_id=None)
    plan(north, lonely)
    with north.reading():
        assert [(one.crew, one.planned) for one in plans.rounds_on(TOMORROW)] == [
            ("Crew A", 0),
            ("Crew B", 0),
        ]
        assert [one.site.code for one in plans.planned_without_crew(TOMORROW)] == ["S2"]


def test_the_next_visit_is_the_planned_one_else_the_due_day(north: Cast) -> None:
    # Installed on 14 June, the 10th of each month being due with 5 days of grace before: the next due day is 10 July.
    north.upload(north.installed(at=NOON - timedelta(days=1)))
    nowhere = add_site(north, "S2")
    ids = [north.site.id, nowhere.id]
    with north.reading():
        due = plans.next_visits(ids)
    assert set(due) == {north.site.id}
    one = due[north.site.id]
    assert (one.day, one.crew, one.is_planned, one.planned_visit_id) == (
        date(2026, 7, 10),
        "Crew A",
        False,
        None,
    )
    made = plan(north, begins_at=time(10))
    with north.reading():
        one = plans.next_visits(ids)[north.site.id]
    assert (one.day, one.begins_at, one.is_planned, one.planned_visit_id) == (
        TOMORROW,
        time(10),
        True,
        made.id,
    )


def test_a_plan_that_somebody_came_to_is_not_the_next_visit(north: Cast) -> None:
    plan(north, day=TODAY)
    arrive(north, north.site, "not_admitted")
    with north.reading():
        assert plans.next_visits([north.site.id]) == {}


def test_an_open_due_day_in_the_past_is_still_the_next_visit(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    with north.reading():
        assert plans.next_visits([north.site.id])[north.site.id].day == date(2026, 5, 10)


def test_every_change_of_a_plan_or_note_is_one_beat(north: Cast) -> None:
    def beats() -> int:
        with north.reading():
            return pulse()[0]

    before = beats()
    made = plan(north)
    planning.move_visit(actor=north.dispatcher, planned_visit_id=made.id, begins_at=time(9))
    note = planning.write_note(actor=north.dispatcher, site_id=north.site.id, text="Ring at the side door.")
    planning.strike_note(actor=north.dispatcher, note_id=note.id)
    planning.strike_note(actor=north.dispatcher, note_id=note.id)
    assert beats() == before + 4
    planning.call_off_visit(actor=north.dispatcher, planned_visit_id=made.id, reason="other")
    assert beats() > before + 4


def test_a_note_stands_until_it_is_struck(north: Cast) -> None:
    note = planning.write_note(
        actor=north.dispatcher, site_id=north.site.id, text="  Ring at the side door. "
    )
    with north.reading():
        found = plans.notes_of([north.site.id])[north.site.id]
    assert [(one.text, str(one.written_by)) for one in found] == [("Ring at the side door.", "Dispatcher")]
    planning.strike_note(actor=north.dispatcher, note_id=note.id)
    with north.reading():
        assert plans.notes_of([north.site.id]) == {}
    for text in (" ", "x" * 501):
        with pytest.raises(BadInput):
            planning.write_note(actor=north.dispatcher, site_id=north.site.id, text=text)


def test_a_visit_changes_places_with_the_next_one(north: Cast) -> None:
    second = add_site(north, "S2")
    first = plan(north, begins_at=time(8), minutes=30)
    plan(north, second, begins_at=time(9), minutes=20)
    planning.shift_visit(actor=north.dispatcher, planned_visit_id=first.id, later=True)
    with north.reading():
        found = plans.round_of(north.crew.id, TOMORROW).visits
    # The other takes 08:00 for 20 minutes; then 15 on a road of unknown length.
    assert [(one.site.code, one.planned.begins_at) for one in found] == [("S2", time(8)), ("S1", time(8, 35))]
    planning.shift_visit(actor=north.dispatcher, planned_visit_id=first.id, later=True)
    with north.reading():
        assert [one.site.code for one in plans.round_of(north.crew.id, TOMORROW).visits] == ["S2", "S1"]


def test_nothing_is_read_outside_a_scope(north: Cast) -> None:
    with pytest.raises(tenancy.NoOperatorScope):
        plans.rounds_on(TODAY)
