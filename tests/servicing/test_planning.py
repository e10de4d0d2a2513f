"""Visits are planned, moved and called off once; a proposed day fits a crew; the next visit of a site is known."""

from __future__ import annotations

from datetime import date, time, timedelta
from typing import Any
from uuid import uuid4

import pytest

from accounts import clock, tenancy
from accounts.commands import customers, operators
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from servicing.commands import planning
from servicing.models import Event, PlannedVisit
from servicing.queries import planning as plans
from servicing.queries.proposing import proposed_day, waiting_sites
from servicing.queries.pulse import pulse
from servicing.rules import rounds
from servicing.rules.rounds import Candidate, Timed
from tests.cast import NOON, Cast

TODAY = NOON.date()
TOMORROW = TODAY + timedelta(days=1)


def add_site(cast: Cast, code: str, **more: Any) -> Any:
    site = {"customer_id": cast.customer.id, "code": code, "name": f"Site {code}", "kind": "office"}
    rest = {"zone": "Europe/Berlin", "crew_id": cast.crew.id, **more}
    return customers.add_sites(actor=cast.owner, sites=[{**site, **rest}])[0]


def arrive(
    cast: Cast, site: Any, outcome: str = "served", minutes: int | None = None, at: Any = NOON
) -> None:
    kind = "visit.not_admitted" if outcome == "not_admitted" else "visit.made"
    said = {"reason": "closed"} if outcome == "not_admitted" else {"outcome": outcome, "minutes": minutes}
    said = {name: value for name, value in said.items() if value is not None}
    fates = cast.upload(cast.event(kind, uuid4(), at, site_id=site.id, crew_id=cast.crew.id, **said))
    assert [one.fate for one in fates] == ["accepted"]


def plan(cast: Cast, site: Any = None, day: date = TOMORROW, **more: Any) -> PlannedVisit:
    return planning.plan_visit(actor=cast.dispatcher, site_id=(site or cast.site).id, day=day, **more)


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
    assert [(one.text, one.written_by.name) for one in found] == [("Ring at the side door.", "Dispatcher")]
    planning.strike_note(actor=north.dispatcher, note_id=note.id)
    with north.reading():
        assert plans.notes_of([north.site.id]) == {}
    for text in (" ", "x" * 501):
        with pytest.raises(BadInput):
            planning.write_note(actor=north.dispatcher, site_id=north.site.id, text=text)


def test_a_proposed_day_holds_the_crew_s_sites_that_need_somebody_the_worst_first(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    quiet, leaking, elsewhere = (
        add_site(north, "S2"),
        add_site(north, "S3"),
        add_site(north, "S4", crew_id=None),
    )
    north.upload(north.event("report.received", leaking, kind="leak"))
    north.upload(north.event("report.received", elsewhere, kind="leak"))
    with north.reading():
        proposed = proposed_day(north.crew.id, TOMORROW)
    assert [one.waiting.site.code for one in proposed.visits] == ["S3", "S1"]
    assert proposed.visits[0].begins_at == time(8)
    assert quiet.code not in {one.waiting.site.code for one in proposed.visits}
    made = planning.plan_round(actor=north.dispatcher, crew_id=north.crew.id, day=TOMORROW)
    # Nobody has timed these sites: 10 minutes, and 4 more for the school's one unit; 15 on a road of unknown length.
    assert [(one.begins_at, one.minutes) for one in made] == [(time(8), 10), (time(8, 25), 14)]
    again = planning.plan_round(actor=north.dispatcher, crew_id=north.crew.id, day=TOMORROW)
    assert again == []


def test_a_proposal_of_today_begins_after_now_and_after_what_is_planned(north: Cast) -> None:
    leaking, other = add_site(north, "S3"), add_site(north, "S4")
    north.upload(north.event("report.received", leaking, kind="leak"))
    with north.reading():
        # 12:00 UTC is 14:00 in Berlin.
        assert [one.begins_at for one in proposed_day(north.crew.id, TODAY).visits] == [time(14)]
    plan(north, other, TODAY, begins_at=time(14, 30), minutes=20)
    with north.reading():
        assert [one.begins_at for one in proposed_day(north.crew.id, TODAY).visits] == [time(15, 5)]


def test_a_site_that_is_planned_soon_is_not_proposed_again_unless_somebody_may_be_hurt(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    leaking = add_site(north, "S3")
    north.upload(north.event("report.received", leaking, kind="leak"))
    for site in (north.site, leaking):
        plan(north, site, TODAY + timedelta(days=3))
    with north.reading():
        assert [one.site.code for one in waiting_sites(north.crew.id, TOMORROW)] == ["S3"]


def test_a_site_where_nobody_was_admitted_is_proposed_for_the_next_day(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    plan(north, day=TODAY)
    arrive(north, north.site, "not_admitted")
    with north.reading():
        assert [one.site.code for one in waiting_sites(north.crew.id, TOMORROW)] == ["S1"]
        assert waiting_sites(north.crew.id, TODAY) == []


def test_the_usual_minutes_are_the_median_of_the_last_timed_visits(north: Cast) -> None:
    for days, minutes in ((30, 20), (20, 60), (10, 24)):
        arrive(north, north.site, minutes=minutes, at=NOON - timedelta(days=days))
    with north.reading():
        assert plans.usual_minutes_at([north.site.id]) == {north.site.id: 24}


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


def test_the_great_circle_agrees_with_published_values() -> None:
    # The haversine exercise of Rosetta Code: Nashville (36.12 N, 86.67 W) to Los Angeles (33.94 N, 118.40 W) is
    # 2886.44 km on a sphere of 6371.0 km; values from memory of that page.
    nashville, los_angeles = (36.12, -86.67), (33.94, -118.40)
    assert rounds.great_circle_km(nashville, los_angeles) == pytest.approx(
        2886.4444 * 6371.0088 / 6371.0, abs=0.001
    )
    # A quarter of a meridian is a quarter of the circle; the antipode is half of it.
    assert rounds.great_circle_km((0, 10), (90, 0)) == pytest.approx(10_007.557, abs=0.001)
    assert rounds.great_circle_km((0, 0), (0, 180)) == pytest.approx(20_015.115, abs=0.001)
    assert rounds.great_circle_km(nashville, nashville) == 0


def test_the_way_takes_its_time() -> None:
    # A tenth of a degree of latitude is 11.119 km; 1.3 times that at 40 km/h are 21.7 minutes.
    assert rounds.way_minutes((52.0, 10.0), (52.1, 10.0)) == 22
    assert rounds.way_minutes(None, (52.1, 10.0)) == rounds.MINUTES_UNKNOWN_WAY


def test_a_day_is_never_longer_than_it_is_and_goes_on_to_the_nearest() -> None:
    near, far, nearest = (52.1, 10.0), (52.4, 10.0), (52.05, 10.0)
    ids = [uuid4() for _ in range(5)]
    candidates = [
        Candidate(ids[0], 60, (52.0, 10.0)),
        Candidate(ids[1], 60, far),
        Candidate(ids[2], 60, near),
        Candidate(ids[3], 400, nearest),
        Candidate(ids[4], 20, nearest),
    ]
    found = rounds.propose(candidates, begins=480, ends=480 + 300)
    assert [slot.site_id for slot in found.slots] == [ids[0], ids[4], ids[2], ids[1]]
    assert found.left_over == [ids[3]]
    for before, after in zip(found.slots, found.slots[1:], strict=False):
        assert after.begins == before.begins + before.minutes + after.way_minutes
    assert found.slots[-1].begins + found.slots[-1].minutes <= 780
    assert rounds.propose(candidates, begins=800, ends=780).slots == []


def test_a_day_is_full_by_the_way_alone() -> None:
    # 60 minutes on site and twice 65 on the road (0.3 degrees of latitude are 33.4 km) don't fit into 120.
    ids = [uuid4(), uuid4()]
    candidates = [Candidate(ids[0], 30, (52.0, 10.0)), Candidate(ids[1], 30, (52.3, 10.0))]
    assert rounds.propose(candidates, begins=480, ends=600).left_over == [ids[1]]


def test_times_after_a_change_of_places_leave_nobody_late() -> None:
    visits = [Timed(480, 30, None), Timed(540, 20, None), Timed(570, 10, None), Timed(None, 10, None)]
    # 480 + 20 + 15 = 515; 515 + 30 + 15 = 560 is before 570, which stays; then 570 + 10 + 15.
    assert rounds.swapped(visits, 0) == [480, 515, 570, 595]
    # The third takes 09:00; 540 + 10 + 15 = 565; 565 + 20 + 15 = 600.
    assert rounds.swapped(visits, 1) == [480, 540, 565, 600]


def test_nothing_is_read_outside_a_scope(north: Cast) -> None:
    with pytest.raises(tenancy.NoOperatorScope):
        plans.rounds_on(TODAY)
