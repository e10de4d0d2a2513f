"""The sweep: which alerts are true of an operator today, opened once, closed when they are true no more."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime

import pytest
from django.db import connection, connections

from accounts import clock, jobs, tasks, tenancy
from accounts.commands import customers, operators
from servicing import log
from servicing.commands import office, rebuilds, sweeps
from servicing.models import Alert
from servicing.queries import fleet_state
from tests.cast import new_cast


@pytest.fixture
def filled(north):
    """Two units filled on 12 June, due on the 10th of each month; the clock stands on 15 June."""
    at = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
    north.upload(north.installed(at=at), north.installed(north.units[1], at, station=1))
    return north


def _sweep_on(cast, day: date) -> dict[str, int]:
    clock.set_to(datetime(day.year, day.month, day.day, 12, 0, tzinfo=UTC))
    return sweeps.sweep(actor=cast.owner)


def _open(cast) -> set[tuple[str, str]]:
    with cast.reading():
        return {(alert.kind, str(alert.first_day)) for alert in fleet_state.open_alerts()}


def test_alerts_open_on_their_first_day_and_a_second_sweep_changes_nothing(filled):
    # 280 mL at 8 mL a day from 12 June last 35 days, until 17 July.
    assert _sweep_on(filled, date(2026, 7, 4)) == {"opened": 0, "closed": 0}
    assert _sweep_on(filled, date(2026, 7, 5)) == {"opened": 2, "closed": 0}
    assert _open(filled) == {("due", "2026-07-05")}
    assert _sweep_on(filled, date(2026, 7, 14)) == {"opened": 4, "closed": 2}
    assert _open(filled) == {("past_grace", "2026-07-14"), ("dry_soon", "2026-07-14")}
    assert _sweep_on(filled, date(2026, 7, 14)) == {"opened": 0, "closed": 0}


def test_an_exchange_closes_what_it_meets_and_a_wick_is_watched_after_its_days(filled):
    _sweep_on(filled, date(2026, 7, 14))
    filled.upload(*(filled.exchanged(unit) for unit in filled.units[:2]))

    sweeps.sweep(actor=filled.owner)

    assert _open(filled) == set()
    later = date(2027, 8, 6)  # 420 days after 12 June 2026
    _sweep_on(filled, later)
    assert ("wick_watch", "2027-08-06") in _open(filled)


def test_an_output_that_is_off_is_an_alert_from_its_day_until_it_is_not(filled, superuser):
    def drifting_since(day: date | None) -> None:
        superuser.execute(
            "UPDATE servicing_outlook SET drift_since_on = %s WHERE unit_id = %s", [day, filled.unit.id]
        )

    drifting_since(date(2026, 6, 20))
    assert _sweep_on(filled, date(2026, 6, 19)) == {"opened": 0, "closed": 0}
    assert _sweep_on(filled, date(2026, 6, 20)) == {"opened": 1, "closed": 0}
    assert _open(filled) == {("drift", "2026-06-20")}
    with filled.reading():
        alert = Alert.objects.get(kind="drift")
    office.acknowledge_alert(actor=filled.dispatcher, alert_id=alert.id)

    # The next fit sees it begin a day earlier: the alert, and the note taken of it, stay what they are.
    drifting_since(date(2026, 6, 19))
    assert _sweep_on(filled, date(2026, 6, 21)) == {"opened": 0, "closed": 0}
    assert _open(filled) == {("drift", "2026-06-20")}

    drifting_since(None)
    assert _sweep_on(filled, date(2026, 6, 21)) == {"opened": 0, "closed": 1}

    with filled.reading():
        assert fleet_state.get_alert(alert.id).acknowledged_at is not None


def test_missed_sweeps_are_made_good_by_the_next_with_the_day_they_became_true(filled):
    _sweep_on(filled, date(2026, 7, 30))

    assert _open(filled) == {("past_grace", "2026-07-14"), ("dry_soon", "2026-07-14")}


def test_a_closed_site_raises_nothing_until_its_reopening_window(filled):
    office.begin_standstill(
        actor=filled.dispatcher,
        site_id=filled.site.id,
        starts_on=date(2026, 6, 20),
        ends_on=date(2026, 8, 20),
        billing="none",
    )

    assert _sweep_on(filled, date(2026, 8, 1)) == {"opened": 0, "closed": 0}
    _sweep_on(filled, date(2026, 8, 15))

    assert ("due", "2026-08-15") in _open(filled)
    assert "past_grace" not in {kind for kind, _ in _open(filled)}


def test_an_alert_is_acknowledged_by_an_event_and_stays_open(filled):
    _sweep_on(filled, date(2026, 7, 14))
    with filled.reading():
        alert = Alert.objects.filter(kind="dry_soon", unit_id=filled.unit.id).get()

    office.acknowledge_alert(actor=filled.dispatcher, alert_id=alert.id)
    sweeps.sweep(actor=filled.owner)

    with filled.reading():
        assert fleet_state.get_alert(alert.id).acknowledged_at == clock.now()
        assert fleet_state.open_alerts().filter(acknowledged_at=None).count() == 3


@pytest.mark.parametrize(
    ("zone", "before", "after"),
    [
        # 14 July begins at these instants (tzdata): UTC+2, UTC-4, UTC+10:30.
        ("Europe/Berlin", "2026-07-13T21:59:59+00:00", "2026-07-13T22:00:00+00:00"),
        ("America/New_York", "2026-07-14T03:59:59+00:00", "2026-07-14T04:00:00+00:00"),
        ("Australia/Lord_Howe", "2026-07-13T13:29:59+00:00", "2026-07-13T13:30:00+00:00"),
    ],
)
def test_past_grace_begins_at_the_sites_own_midnight(database, zone, before, after):
    cast = new_cast("zone", zone=zone)
    cast.upload(cast.installed(at=datetime(2026, 6, 12, 9, 0, tzinfo=UTC)))

    clock.set_to(datetime.fromisoformat(before))
    sweeps.sweep(actor=cast.owner)
    kinds_before = {kind for kind, _ in _open(cast)}
    clock.set_to(datetime.fromisoformat(after))
    sweeps.sweep(actor=cast.owner)

    assert "past_grace" not in kinds_before
    assert "past_grace" in {kind for kind, _ in _open(cast)}


def test_a_sweep_owed_as_a_job_is_done_once(filled):
    clock.set_to(datetime(2026, 7, 14, 12, 0, tzinfo=UTC))
    jobs.owe_everyone(kind=tasks.SWEEP, slot="2026-07-14T12:00")
    mine = [
        job
        for job in jobs.claim_due(1_000_000)
        if job.operator_id == filled.operator.id and job.kind == tasks.SWEEP
    ]

    assert len(mine) == 1
    assert sweeps.run_sweep(filled.operator.id, mine[0].id) is True
    assert sweeps.run_sweep(filled.operator.id, mine[0].id) is False
    assert len(_open(filled)) == 2


def test_ending_an_agreement_refreshes_its_due_days_by_a_job(filled):
    customers.end_agreement(
        actor=filled.dispatcher, agreement_id=filled.agreement.id, ends_on=date(2026, 7, 1)
    )
    mine = [
        job
        for job in jobs.claim_due(1_000_000)
        if job.operator_id == filled.operator.id and job.kind == jobs.DUE_REFRESH
    ]
    for job in mine:
        sweeps.refresh_due(filled.operator.id, job.id)

    _sweep_on(filled, date(2026, 7, 20))

    assert mine != []
    assert _open(filled) == set()


def _run_refresh_jobs(cast) -> int:
    mine = [
        job
        for job in jobs.claim_due(1_000_000)
        if job.operator_id == cast.operator.id and job.kind == jobs.DUE_REFRESH
    ]
    for job in mine:
        sweeps.refresh_due(cast.operator.id, job.id)
    return len(mine)


def test_new_service_rules_reach_every_units_days_by_jobs(filled):
    _run_refresh_jobs(filled)
    operators.set_service_rules(
        actor=filled.owner, effective_from=date(2026, 6, 15), wick_watch_days=60, dry_soon_days=10
    )
    assert rebuilds.check(filled.operator.id) != []

    assert _run_refresh_jobs(filled) == 1  # all sites: it owes one job for each
    assert _run_refresh_jobs(filled) == 1

    assert rebuilds.check(filled.operator.id) == []
    _sweep_on(filled, date(2026, 8, 11))
    assert ("wick_watch", "2026-08-11") in _open(filled)  # 60 days after 12 June


def test_a_refresh_waits_for_an_upload_that_touches_the_same_unit(filled):
    _run_refresh_jobs(filled)
    jobs_made = []
    with tenancy.writing(filled.owner):
        jobs.enqueue(kind=jobs.DUE_REFRESH, dedup_key="by hand", ref=str(filled.site.id))
    claimed = [job for job in jobs.claim_due(1_000_000) if job.operator_id == filled.operator.id]
    refresh = next(job for job in claimed if job.kind == jobs.DUE_REFRESH)

    def run_refresh() -> None:
        jobs_made.append(sweeps.refresh_due(filled.operator.id, refresh.id))
        connections.close_all()

    with tenancy.writing(filled.owner), connection.cursor() as cursor:
        log.lock_operator(cursor, filled.operator.id)
        worker = threading.Thread(target=run_refresh)
        worker.start()
        worker.join(timeout=0.5)
        assert worker.is_alive()
    worker.join(timeout=30)

    assert jobs_made == [True]
    assert rebuilds.check(filled.operator.id) == []
