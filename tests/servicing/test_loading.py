"""A past loaded without its fold, and folded afterwards."""

from __future__ import annotations

from datetime import timedelta

import pytest

from accounts.errors import Forbidden
from accounts.ids import uuid7
from accounts.permissions import Role
from servicing.commands.rebuilds import check
from servicing.commands.uploads import fold_pending, load_events
from servicing.models import UnitState, Visit
from tests.cast import NOON, Cast

START = NOON - timedelta(days=30)


@pytest.fixture
def cast(north: Cast) -> Cast:
    return north


def status_of(cast: Cast) -> list[str]:
    with cast.reading():
        return [state.status for state in UnitState.objects.filter(unit_id=cast.unit.id)]


def units_of_visit(cast: Cast, visit_id: object) -> list[int]:
    with cast.reading():
        return [visit.units for visit in Visit.objects.filter(id=visit_id)]


def test_a_loaded_past_is_in_the_log_and_not_folded(cast):
    fates = load_events(actor=cast.crew_phone, events=[cast.installed()])
    assert [fate.fate for fate in fates] == ["accepted"]
    assert status_of(cast) == []
    assert any("checkpoint" in difference for difference in check(cast.operator.id))


def test_folding_what_is_pending_gives_what_an_upload_gives(cast):
    events = [cast.installed(at=START)] + [
        cast.event(
            "level.read", cast.unit, START + timedelta(minutes=n), cartridge_left_ml=200, reservoir_ml=20
        )
        for n in range(1, 250)
    ]
    load_events(actor=cast.crew_phone, events=events)
    assert fold_pending(actor=cast.owner) == 250
    assert status_of(cast) == ["up"]
    assert check(cast.operator.id) == []


def test_folding_again_folds_nothing(cast):
    load_events(actor=cast.crew_phone, events=[cast.installed()])
    fold_pending(actor=cast.owner)
    assert fold_pending(actor=cast.owner) == 0


def test_the_next_upload_folds_what_was_loaded_before_it(cast):
    load_events(actor=cast.crew_phone, events=[cast.installed(at=START)])
    cast.upload(
        cast.event("fault.found", cast.unit, START + timedelta(hours=1), mode="PLU", detection="visit_check")
    )
    assert status_of(cast) == ["down"]
    assert check(cast.operator.id) == []


def test_more_events_than_an_upload_takes_are_loaded_at_once(cast):
    events = [cast.installed(at=START)] + [
        cast.event("wick.checked", cast.unit, START + timedelta(minutes=n), condition="good")
        for n in range(1, 601)
    ]
    fates = load_events(actor=cast.crew_phone, events=events)
    assert {fate.fate for fate in fates} == {"accepted"}
    assert len(fates) == 601


def test_loading_the_same_again_answers_duplicate_and_a_foreign_unit_is_refused(cast, south):
    event = cast.installed()
    load_events(actor=cast.crew_phone, events=[event])
    foreign = cast.event("wick.checked", south.unit, condition="good")
    fates = load_events(actor=cast.crew_phone, events=[event, foreign])
    assert [fate.fate for fate in fates] == ["duplicate", "refused"]


def test_who_may_not_record_events_may_not_load_or_fold_them(cast):
    viewer = cast.actors[Role.VIEWER]
    with pytest.raises(Forbidden):
        load_events(actor=viewer, events=[cast.installed()])
    with pytest.raises(Forbidden):
        fold_pending(actor=viewer)


def test_a_visit_counts_the_units_of_touches_that_come_after_its_outcome(cast):
    visit = uuid7(START)
    cast.upload(*(cast.installed(unit, START, place) for place, unit in enumerate(cast.units)))
    cast.upload(
        cast.exchanged(cast.units[0], START + timedelta(days=1), visit=visit),
        cast.event("visit.made", visit, START + timedelta(days=1), site_id=cast.site.id, outcome="served"),
    )
    assert units_of_visit(cast, visit) == [1]
    cast.upload(cast.exchanged(cast.units[1], START + timedelta(days=1, minutes=5), visit=visit))
    assert units_of_visit(cast, visit) == [2]
    assert check(cast.operator.id) == []


def test_a_visit_does_not_count_a_touch_that_was_undone_or_whose_clock_runs_ahead(cast):
    visit = uuid7(START)
    cast.upload(*(cast.installed(unit, START, place) for place, unit in enumerate(cast.units)))
    undone = cast.exchanged(cast.units[0], START + timedelta(days=1), visit=visit)
    cast.upload(
        undone,
        cast.exchanged(cast.units[1], START + timedelta(days=1, minutes=5), visit=visit),
        cast.exchanged(cast.units[2], START + timedelta(days=9_000), visit=visit),
        cast.event("visit.made", visit, START + timedelta(days=1), site_id=cast.site.id, outcome="served"),
    )
    assert units_of_visit(cast, visit) == [2]
    cast.upload(
        cast.event(
            "event.countered",
            cast.units[0],
            START + timedelta(days=2),
            corrects=undone["id"],
            reason="not_done",
        )
    )
    assert units_of_visit(cast, visit) == [1]
    assert check(cast.operator.id) == []


def test_a_visit_whose_outcome_was_undone_is_gone(cast):
    visit = uuid7(START)
    made = cast.event("visit.made", visit, START, site_id=cast.site.id, outcome="served")
    cast.upload(made)
    assert units_of_visit(cast, visit) == [0]
    cast.upload(
        cast.event(
            "event.countered", visit, START + timedelta(hours=1), corrects=made["id"], reason="not_done"
        )
    )
    assert units_of_visit(cast, visit) == []
    assert check(cast.operator.id) == []


def test_a_unit_that_moves_takes_its_due_days_to_the_other_station_and_loses_them_when_withdrawn(cast):
    cast.upload(cast.installed(at=START))
    cast.upload(
        cast.event("unit.moved", cast.unit, START + timedelta(days=1), station_id=cast.stations[1].id)
    )
    assert check(cast.operator.id) == []
    cast.upload(cast.event("unit.withdrawn", cast.unit, START + timedelta(days=2), reason="replaced"))
    assert status_of(cast) == ["withdrawn"]
    assert check(cast.operator.id) == []
