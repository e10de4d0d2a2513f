"""Obligations: owed once, leased to one worker, done with their effect, fair between operators, and ended when hopeless."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from django.db import connections

from accounts import clock, jobs, tasks
from accounts.commands import clockwork
from accounts.models import Crew, Job
from accounts.queries import service
from accounts.tenancy import NoOperatorScope, reading, writing
from tests.cast import NOON, Cast

KIND = "tests.tasks.nothing"


def owe(cast: Any, *keys: str, **rest: Any) -> None:
    with writing(cast.owner):
        for key in keys:
            jobs.enqueue(kind=KIND, dedup_key=key, **rest)


def owe_and_fail(cast: Any) -> None:
    with writing(cast.owner):
        jobs.enqueue(kind=KIND, dedup_key="a")
        raise ZeroDivisionError


def drain() -> None:
    """Lease everything that is due, also what other tests left."""
    while jobs.claim_due(1_000_000):
        pass


def claimed_of(cast: Any, limit: int = 10_000) -> list[jobs.Claimed]:
    return [one for one in jobs.claim_due(limit) if one.operator_id == cast.operator.id and one.kind == KIND]


def rows(cast: Any) -> list[Job]:
    with reading(cast.owner):
        return list(Job.objects.filter(kind=KIND).order_by("dedup_key"))


def test_a_key_is_owed_once_an_operator(north, south):
    with writing(north.owner):
        answers = [jobs.enqueue(kind=KIND, dedup_key="a") for _ in range(2)]
    owe(south, "a")

    assert answers == [True, False]
    assert [len(rows(cast)) for cast in (north, south)] == [1, 1]


def test_a_job_is_owed_only_when_its_transaction_commits(north):
    with pytest.raises(ZeroDivisionError):
        owe_and_fail(north)
    with pytest.raises(NoOperatorScope):
        jobs.enqueue(kind=KIND, dedup_key="a")

    assert rows(north) == []


def test_every_operator_is_owed_a_slot_once(north, south):
    jobs.owe_everyone(kind=KIND, slot="2026-06-15T12:00")
    again = jobs.owe_everyone(kind=KIND, slot="2026-06-15T12:00")
    next_minute = jobs.owe_everyone(kind=KIND, slot="2026-06-15T12:01")

    assert again == 0
    assert next_minute >= 2
    assert [len(rows(cast)) for cast in (north, south)] == [2, 2]


def test_a_claimed_job_is_not_handed_out_again_until_its_lease_ends(north, later):
    owe(north, "a", "b")

    first, second = claimed_of(north), claimed_of(north)
    later(seconds=jobs.LEASE_SECONDS)
    at_the_end = claimed_of(north)
    later(seconds=1)
    after_the_end = claimed_of(north)

    assert len(first) == 2
    assert (second, at_the_end) == ([], [])
    assert {one.id for one in after_the_end} == {one.id for one in first}
    assert {job.attempts for job in rows(north)} == {2}


@pytest.fixture
def impatient_relay(database: Any) -> Iterator[None]:
    """A relay that waits for no lock longer than a second, so that a wait is a failure and not a standstill."""
    with connections["system"].cursor() as cursor:
        cursor.execute("SET lock_timeout = '1s'")
    yield
    with connections["system"].cursor() as cursor:
        cursor.execute("RESET lock_timeout")


def test_a_claim_passes_over_a_row_that_another_relay_holds(north, superuser, impatient_relay):
    owe(north, "a", "b")
    held, free = rows(north)

    with superuser.transaction():
        superuser.execute("SELECT 1 FROM accounts_job WHERE id = %s FOR UPDATE", [held.id])
        claimed = claimed_of(north)
    claimed_later = claimed_of(north)

    assert [one.id for one in claimed] == [free.id]
    assert [one.id for one in claimed_later] == [held.id]


def test_a_job_waits_for_its_time(north, later):
    owe(north, "a", run_at=clock.now() + timedelta(hours=1))

    early = claimed_of(north)
    later(hours=1)

    assert (early, len(claimed_of(north))) == ([], 1)


def test_a_job_is_done_with_its_effect_and_once(north):
    owe(north, "a")
    job = rows(north)[0]
    effects = []

    def effect(actor, row):
        effects.append((actor.operator_id, row.id))
        Crew.objects.create(name="Crew made by a job")

    answers = [jobs.perform(north.operator.id, job.id, effect) for _ in range(2)]

    assert answers == [True, False]
    assert effects == [(north.operator.id, job.id)]
    assert rows(north)[0].done_at == clock.now()
    with reading(north.owner):
        assert Crew.objects.filter(name="Crew made by a job").count() == 1


def test_a_done_job_is_not_claimed_again(north, later):
    owe(north, "a")
    jobs.perform(north.operator.id, rows(north)[0].id, lambda actor, row: None)

    later(days=1)

    assert claimed_of(north) == []


def test_a_failing_effect_leaves_nothing_but_its_error(north, later):
    owe(north, "a")
    job = claimed_of(north)[0]

    def effect(actor, row):
        Crew.objects.create(name="Crew of a failed job")
        raise ValueError("the pump is stuck")

    with pytest.raises(ValueError, match="the pump is stuck"):
        jobs.perform(north.operator.id, job.id, effect)

    row = rows(north)[0]
    assert (row.done_at, row.attempts, row.last_error) == (None, 1, "ValueError('the pump is stuck')")
    with reading(north.owner):
        assert not Crew.objects.filter(name="Crew of a failed job").exists()
    assert claimed_of(north) == []
    later(seconds=jobs.LEASE_SECONDS + 1)
    assert [one.id for one in claimed_of(north)] == [job.id]
    assert jobs.perform(north.operator.id, job.id, lambda actor, row: None)


def test_a_job_that_kills_its_worker_ends_after_five_attempts(north, later):
    owe(north, "a")

    def attempt() -> int:
        later(seconds=jobs.LEASE_SECONDS + 1)
        claimed = claimed_of(north)
        with writing(north.owner):
            jobs.begin_attempt(rows(north)[0])
        return len(claimed)

    assert [attempt() for _ in range(7)] == [1, 1, 1, 1, 1, 0, 0]
    assert (rows(north)[0].attempts, rows(north)[0].done_at) == (5, None)


def test_a_second_worker_with_the_same_job_leaves_it_alone(north):
    owe(north, "a")
    job = rows(north)[0]
    effects = []

    def second() -> bool:
        try:
            return jobs.perform(north.operator.id, job.id, lambda actor, row: effects.append("second"))
        finally:
            connections.close_all()

    def first(actor, row):
        effects.append("first")
        with ThreadPoolExecutor(1) as pool:
            effects.append(pool.submit(second).result(timeout=30))

    assert jobs.perform(north.operator.id, job.id, first)
    assert effects == ["first", False]


def test_a_job_of_another_operator_is_none(north, south):
    owe(north, "a")
    job = rows(north)[0]

    assert not jobs.perform(south.operator.id, job.id, lambda actor, row: pytest.fail("a rival's job ran"))
    assert jobs.perform(north.operator.id, job.id, lambda actor, row: None)


def test_an_operator_with_much_to_do_does_not_starve_another(north, south, later):
    drain()
    owe(north, *(f"{n:03}" for n in range(100)))
    later(seconds=1)
    owe(south, "only")

    claimed = jobs.claim_due(10)
    rest = jobs.claim_due(200)

    assert len([one for one in claimed if one.operator_id == south.operator.id]) == 1
    assert len(claimed) == 10
    norths = [one for one in claimed + rest if one.operator_id == north.operator.id]
    assert len(norths) == jobs.MOST_IN_FLIGHT
    assert {one.kind for one in norths} == {norths[0].kind}
    later(seconds=jobs.LEASE_SECONDS + 1)
    again = [
        one
        for one in jobs.claim_due(200)
        if (one.operator_id, one.kind) == (north.operator.id, norths[0].kind)
    ]
    assert len(again) == jobs.MOST_IN_FLIGHT
    assert len(rows(north)) == 100


def test_a_broker_that_is_away_for_long_takes_no_attempt_back(north, later):
    owe(north, "a")
    for _ in range(3):
        claimed_of(north)
        with writing(north.owner):
            jobs.begin_attempt(Job.objects.get(kind=KIND))
        later(seconds=jobs.LEASE_SECONDS + 1)
    assert rows(north)[0].attempts == 3

    for _ in range(5):
        jobs.give_back(claimed_of(north))

    assert rows(north)[0].attempts == 3
    claimed_of(north)
    assert rows(north)[0].attempts == 4


def test_what_waited_for_a_worker_is_given_back_as_it_was(north, later):
    owe(north, "a")
    for _ in range(3):
        claimed_of(north)
        later(seconds=jobs.LEASE_SECONDS + 1)

    for _ in range(5):
        jobs.give_back(claimed_of(north))

    row = rows(north)[0]
    assert (row.attempts, row.begun_at) == (2, None)


def test_what_is_sent_again_and_again_and_no_worker_takes_is_told_as_due(north: Cast, later: Any) -> None:
    def due_since() -> Any:
        told = [one for one in service.owed() if (one.operator_id, one.kind) == (north.operator.id, KIND)]
        return [(one.out, one.due_since) for one in told]

    owe(north, "a")
    owed_at = clock.now()
    claimed_of(north)
    assert due_since() == [(1, None)]

    later(seconds=jobs.LEASE_SECONDS + 1)
    claimed_of(north)
    assert due_since() == [(1, owed_at)]

    with writing(north.owner):
        jobs.begin_attempt(Job.objects.get(kind=KIND))
    assert due_since() == [(1, None)]


def test_later_slots_sort_after_earlier_ones():
    for one in clockwork.OFTEN:
        slots = [one.slot(NOON + timedelta(minutes=minute)) for minute in range(150)]
        assert slots == sorted(slots)
        assert len(set(slots)) == 150 // one.minutes


def test_one_relay_looks_again_until_the_next_tick_however_much_there_is(monkeypatch: Any) -> None:
    waiting: list[list[int]] = [[]]
    monkeypatch.setattr(tasks, "send_due", lambda: 200)
    monkeypatch.setattr(
        tasks.relay, "apply_async", lambda args, countdown, **_how: waiting.append([*args, countdown])
    )
    seconds = 0

    while waiting:
        *again, countdown = waiting.pop() or [0]
        seconds += countdown
        tasks.relay.run(*again)

    assert 50 <= seconds < 60


def test_what_was_done_before_a_day_is_forgotten_and_nothing_else(north, later):
    owe(north, "done", "owed")
    jobs.perform(north.operator.id, rows(north)[0].id, lambda actor, row: None)
    later(days=8)

    jobs.forget_done(clock.now() - timedelta(days=9))
    kept = [job.dedup_key for job in rows(north)]
    jobs.forget_done(clock.now() - timedelta(days=7))

    assert kept == ["done", "owed"]
    assert [job.dedup_key for job in rows(north)] == ["owed"]
