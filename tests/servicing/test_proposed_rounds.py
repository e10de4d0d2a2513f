"""A proposed day fits a crew: the worst sites first, times that can be kept, ways checked against published values."""

from __future__ import annotations

from datetime import time, timedelta
from uuid import uuid4

import pytest

from servicing.commands import planning
from servicing.queries import planning as plans
from servicing.queries.proposing import proposed_day, waiting_sites
from servicing.rules import rounds
from servicing.rules.rounds import Candidate, Timed
from tests.cast import NOON, Cast
from tests.servicing.planned import TODAY, TOMORROW, add_site, arrive, plan


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
