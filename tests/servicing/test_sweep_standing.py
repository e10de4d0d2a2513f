"""A sweep owed by the minute does nothing while nothing has changed, and misses nothing that has."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts import clock, jobs, tenancy
from accounts.tasks import SWEEP
from servicing.commands import office, sweeps
from servicing.models import Alert
from servicing.queries import fleet_state
from servicing.queries.pulse import pulse
from tests.cast import new_cast

# 280 mL at 8 mL a day from 12 June last until 17 July; the due day is the 10th, its window opens on the 5th.
FILLED = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
LATE = datetime(2026, 7, 14, 12, 0, tzinfo=UTC)


@pytest.fixture
def late(north):
    """Two units past grace, and swept on that day."""
    north.upload(north.installed(at=FILLED), north.installed(north.units[1], FILLED, station=1))
    clock.set_to(LATE)
    _tick(north)
    return north


@pytest.fixture
def kolkata(database):
    return new_cast("kolkata", zone="Asia/Kolkata")


def _tick(cast) -> bool:
    """The job of this minute; whether it looked at the units at all."""
    slot = f"{clock.now():%Y-%m-%dT%H:%M}"
    with tenancy.writing(cast.owner):
        assert jobs.enqueue(kind=SWEEP, dedup_key=slot)
        job = jobs.last_owed(SWEEP)
    assert job
    with CaptureQueriesContext(connection) as asked:
        assert sweeps.run_sweep(cast.operator.id, job.id)
    return any("servicing_duesegment" in one["sql"] for one in asked)


def _open(cast) -> set[tuple[str, str]]:
    with cast.reading():
        return {(alert.kind, str(alert.unit_id)) for alert in fleet_state.open_alerts()}


def test_a_minute_in_which_nothing_changed_reads_no_unit(late):
    before = _open(late)
    assert before == {(kind, str(unit.id)) for kind in ("past_grace", "dry_soon") for unit in late.units[:2]}

    clock.set_to(LATE + timedelta(minutes=1))

    assert _tick(late) is False
    assert _open(late) == before


def test_an_upload_in_between_is_seen_by_the_next_minute(late):
    clock.set_to(LATE + timedelta(minutes=1))
    late.upload(late.exchanged(late.units[0]))
    clock.set_to(LATE + timedelta(minutes=2))

    assert _tick(late) is True
    assert {unit for _, unit in _open(late)} == {str(late.units[1].id)}
    clock.set_to(LATE + timedelta(minutes=3))
    assert _tick(late) is False


def _noted_at(cast, alert_id) -> datetime | None:
    with cast.reading():
        return Alert.objects.get(id=alert_id).acknowledged_at


def test_a_note_that_a_phone_sends_is_there_with_its_upload_and_gone_once_countered(late):
    with late.reading():
        alert = Alert.objects.filter(kind="dry_soon", unit_id=late.units[0].id).get()
    noted = late.event("alert.acknowledged", late.units[0], kind="dry_soon", first_day=alert.first_day)
    assert [one.fate for one in late.upload(noted)] == ["accepted"]
    assert _noted_at(late, alert.id) == LATE
    clock.set_to(LATE + timedelta(minutes=1))
    assert _tick(late) is True
    assert _noted_at(late, alert.id) == LATE

    office.counter_event(actor=late.dispatcher, event_id=UUID(noted["id"]), reason="wrong_entry")

    assert _noted_at(late, alert.id) is None


def test_a_note_taken_before_an_alert_opened_is_there_when_it_opens(late):
    clock.set_to(LATE + timedelta(minutes=1))
    unit = late.units[2]
    late.upload(late.installed(unit, FILLED, station=2))
    late.upload(late.event("alert.acknowledged", unit, kind="past_grace", first_day="2026-07-14"))
    clock.set_to(LATE + timedelta(minutes=2))

    assert _tick(late) is True

    with late.reading():
        opened = Alert.objects.get(unit_id=unit.id, kind="past_grace")
    assert opened.acknowledged_at == LATE + timedelta(minutes=1)


def test_each_hour_is_swept_whether_or_not_anybody_said_that_something_changed(late, superuser):
    superuser.execute(
        "UPDATE servicing_outlook SET drift_since_on = '2026-07-01' WHERE unit_id = %s", [late.unit.id]
    )
    clock.set_to(LATE + timedelta(minutes=59))
    assert _tick(late) is False
    clock.set_to(LATE + timedelta(minutes=60))

    assert _tick(late) is True
    assert ("drift", str(late.unit.id)) in _open(late)


def test_a_local_midnight_is_a_change_in_the_middle_of_an_hour(kolkata):
    cast = kolkata
    cast.upload(cast.installed(at=FILLED))
    # Midnight in Kolkata is 18:30 UTC: the window of the 10th opens with the 5th.
    clock.set_to(datetime(2026, 7, 4, 18, 29, tzinfo=UTC))
    _tick(cast)
    assert _open(cast) == set()
    clock.set_to(datetime(2026, 7, 4, 18, 30, tzinfo=UTC))

    assert _tick(cast) is True
    assert _open(cast) == {("due", str(cast.unit.id))}


def test_a_sweep_that_changed_something_beats_once_and_leaves_the_next_nothing(late):
    clock.set_to(LATE + timedelta(days=1))
    with late.reading():
        beats, _ = pulse()
    assert _tick(late) is True
    clock.set_to(clock.now() + timedelta(minutes=1))
    assert _tick(late) is False
    with late.reading():
        assert pulse()[0] in {beats, beats + 1}
