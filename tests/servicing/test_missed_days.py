"""A clock that stood for days, or ticked twice: the same alerts as by one that never did, none missing and none twice."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from accounts import clock, jobs
from accounts.commands.clockwork import SWEEP, owe_what_is_due
from accounts.tenancy import reading
from servicing.commands import sweeps
from servicing.models import Alert
from servicing.rules.missed import missed_days
from tests.cast import NOON, Cast, new_cast

DAY = timedelta(days=1)


def test_days_between_are_those_without_the_last_one_and_today():
    last = {"Europe/Berlin": date(2026, 3, 27), "Asia/Kolkata": date(2026, 3, 29)}
    today = {
        "Europe/Berlin": date(2026, 3, 30),
        "Asia/Kolkata": date(2026, 3, 30),
        "Pacific/Apia": date(2026, 3, 31),
    }

    assert missed_days(last, today) == {"Europe/Berlin": (date(2026, 3, 28), date(2026, 3, 29))}
    assert missed_days(today, today) == {}
    assert missed_days(today, last) == {}


def filled(zone: str = "Europe/Berlin") -> Cast:
    """Two units filled on 12 June, due on the 10th of each month."""
    cast = new_cast("clock", zone=zone)
    at = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
    cast.upload(cast.installed(at=at), cast.installed(cast.units[1], at, station=1))
    return cast


def swept_at(cast: Cast, *instants: datetime) -> None:
    """What the clock owes at each instant, done at once."""
    for instant in instants:
        clock.set_to(instant)
        owe_what_is_due()
        for job in jobs.claim_due(1_000_000):
            if job.operator_id == cast.operator.id and job.kind == SWEEP:
                sweeps.run_sweep(job.operator_id, job.id)
        clock.set_to(instant + timedelta(seconds=59))
        for job in jobs.claim_due(1_000_000):
            if job.operator_id == cast.operator.id and job.kind == SWEEP:
                sweeps.run_sweep(job.operator_id, job.id)


def rows(cast: Cast) -> set[tuple[str, int, str, bool]]:
    """Alerts by kind, unit and first day, and whether they stand."""
    units = [unit.id for unit in cast.units]
    with reading(cast.owner):
        return {
            (one.kind, units.index(one.unit_id), str(one.first_day), one.closed_at is None)
            for one in Alert.objects.all()
        }


@pytest.mark.parametrize("days_off", [2, 3, 11])
def test_after_days_without_a_clock_the_list_of_alerts_is_as_with_one(database, days_off):
    start = datetime(2026, 7, 4, 12, tzinfo=UTC)
    end = start + 12 * DAY
    steady = filled()
    swept_at(steady, *(start + n * DAY for n in range(13)))
    clock.set_to(NOON)
    # Made only now: the clock above owed it nothing.
    stopped = filled()
    swept_at(stopped, *(start + n * DAY for n in range(13) if not 0 < n <= days_off), end)

    assert rows(stopped) == rows(steady)
    assert ("due", 0, "2026-07-05", False) in rows(stopped)
    assert ("past_grace", 0, "2026-07-14", True) in rows(stopped)


def test_what_was_missed_is_opened_once_however_often_the_sweep_comes(database):
    start = datetime(2026, 7, 4, 12, tzinfo=UTC)
    cast = filled()

    swept_at(cast, start, *(start + 11 * DAY + n * timedelta(minutes=1) for n in range(3)))

    with reading(cast.owner):
        assert Alert.objects.filter(kind="due").count() == 2
        assert Alert.objects.exclude(closed_at=None).count() == 2


def test_an_operator_that_was_never_swept_missed_nothing(database):
    cast = filled()

    swept_at(cast, datetime(2026, 7, 20, 12, tzinfo=UTC))

    assert {kind for kind, *_ in rows(cast)} == {"past_grace", "dry_soon"}


def test_two_clocks_owe_what_one_owes(database):
    cast = filled()
    clock.set_to(datetime(2026, 7, 14, 12, 0, 30, tzinfo=UTC))
    first = owe_what_is_due()

    assert first > 0
    assert owe_what_is_due() == 0
    swept_at(cast, clock.now())
    assert {kind for kind, *_ in rows(cast)} == {"past_grace", "dry_soon"}
