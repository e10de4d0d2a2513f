"""The relay's side of jobs: what can't be sent is given back, what is hopeless is put aside, and a queue stays short."""

from __future__ import annotations

import logging
from datetime import timedelta
from typing import Any

import pytest
from kombu.exceptions import OperationalError

from accounts import clock, jobs, tasks
from accounts.commands import clockwork
from accounts.errors import Conflict
from accounts.jobs import claiming
from accounts.models import Crew, Job
from accounts.tenancy import reading, writing
from config.celery import app
from tests.cast import Cast, new_cast

KIND = "tests.tasks.nothing"


def owe(cast: Cast, *keys: str, kind: str = KIND, **rest: Any) -> None:
    with writing(cast.owner):
        for key in keys:
            jobs.enqueue(kind=kind, dedup_key=key, **rest)


@pytest.fixture
def nothing_owed(superuser: Any) -> None:
    """What other tests left is out of the way: queues and counts are those of all operators."""
    superuser.execute("DELETE FROM accounts_job")


def rows(cast: Cast, kind: str = KIND) -> list[Job]:
    with reading(cast.owner):
        return list(Job.objects.filter(kind=kind).order_by("dedup_key"))


def claimed_of(*casts: Cast, kind: str = KIND, **how: Any) -> list[jobs.Claimed]:
    own = {cast.operator.id for cast in casts}
    return [one for one in jobs.claim_due(10_000, **how) if one.operator_id in own and one.kind == kind]


def fail_for_good(cast: Cast, later: Any, key: str = "a", kind: str = KIND) -> None:
    owe(cast, key, kind=kind)
    for _ in range(jobs.MOST_ATTEMPTS):
        jobs.claim_due(1_000_000)
        begun(cast, key, kind)
        later(seconds=jobs.LEASE_SECONDS + 1)


def begun(cast: Cast, key: str, kind: str = KIND) -> None:
    """A worker begins with it, and ends there."""
    with writing(cast.owner):
        jobs.begin_attempt(Job.objects.get(kind=kind, dedup_key=key))


# What can't be sent


def test_what_was_not_sent_is_due_again_and_was_no_attempt(north):
    owe(north, "a", "b")
    first = claimed_of(north)

    assert jobs.give_back(first[:1]) == 1
    again = claimed_of(north)

    assert [one.id for one in again] == [first[0].id]
    assert [row.attempts for row in rows(north)] == [1, 1]
    assert jobs.give_back([]) == 0


def test_what_is_done_or_at_work_when_it_is_given_back_is_let_be(north, superuser):
    owe(north, "a", "b")
    first = claimed_of(north)
    done, at_work = first
    jobs.perform(north.operator.id, done.id, lambda actor, row: None)

    with superuser.transaction():
        superuser.execute("SELECT 1 FROM accounts_job WHERE id = %s FOR UPDATE", [at_work.id])
        assert jobs.give_back(first) == 0

    assert {row.attempts for row in rows(north)} == {1}


def test_a_broker_that_is_away_costs_no_attempt(north, monkeypatch, nothing_owed):
    owe(north, *"abcde")
    sent: list[str] = []

    def send(kind: str, args: list[str], **_how: Any) -> None:
        if len(sent) == 2:
            raise OperationalError("away")
        sent.append(args[1])

    monkeypatch.setattr(app, "send_task", send)
    with pytest.raises(OperationalError):
        tasks.send_due.run()

    assert sorted(row.attempts for row in rows(north)) == [0, 0, 0, 1, 1]
    assert {str(row.id) for row in rows(north) if row.attempts} == set(sent)
    assert {row.lease_until for row in rows(north) if not row.attempts} == {None}


def test_each_kind_goes_to_its_queue(north, monkeypatch, nothing_owed):
    owe(north, "a")
    owe(north, "a", kind=clockwork.SWEEP)
    owe(north, "a", kind=tasks.DELIVER)
    sent: dict[str, str] = {}
    monkeypatch.setattr(app, "send_task", lambda kind, args, queue, **_how: sent.update({kind: queue}))

    assert tasks.send_due.run() == 3

    assert sent == {KIND: "default", clockwork.SWEEP: "alerts", tasks.DELIVER: "webhooks"}
    assert set(tasks.QUEUES.values()) <= {queue.name for queue in app.conf.task_queues}


def test_the_first_few_of_each_overtake_what_others_have_beyond_that(north, south, monkeypatch, nothing_owed):
    owe(north, *(f"{n:02}" for n in range(6)))
    owe(south, "only")
    sent: list[tuple[str, int]] = []
    monkeypatch.setattr(
        app, "send_task", lambda kind, args, queue, priority: sent.append((args[0], priority))
    )

    tasks.send_due.run()

    ours, theirs = ([how for whose, how in sent if whose == str(one.operator.id)] for one in (north, south))
    assert (ours, theirs) == ([0, 0, 9, 9, 9, 9], [0])


# How much goes out


def test_a_queue_is_filled_no_deeper_than_it_may_be_and_whoever_has_least_out_comes_first(
    north, south, nothing_owed
):
    owe(north, *(f"{n:02}" for n in range(15)))
    first = claimed_of(north, south, queues={KIND: "bulk"}, most_in_queue=10)
    owe(south, *(f"{n:02}" for n in range(15)))
    none = claimed_of(north, south, queues={KIND: "bulk"}, most_in_queue=10)
    more = claimed_of(north, south, queues={KIND: "bulk"}, most_in_queue=14)

    assert (len(first), none) == (10, [])
    assert [one.operator_id for one in more] == [south.operator.id] * 4


def test_queues_do_not_fill_each_other(north, nothing_owed):
    owe(north, *(f"{n:02}" for n in range(5)))
    owe(north, *(f"{n:02}" for n in range(5)), kind="tests.tasks.other")
    queues = {KIND: "bulk", "tests.tasks.other": "webhooks"}

    claimed = jobs.claim_due(10_000, queues=queues, most_in_queue=3)

    own = [one.kind for one in claimed if one.operator_id == north.operator.id]
    assert sorted(own) == sorted([KIND] * 3 + ["tests.tasks.other"] * 3)


def test_of_a_large_backlog_no_more_is_read_than_may_go_out(north, superuser, nothing_owed):
    """By the buffers that PostgreSQL says it touched, which no other process changes."""
    superuser.execute(
        "INSERT INTO accounts_job (id, operator_id, kind, dedup_key, ref, run_at, attempts, last_error) "
        "SELECT gen_random_uuid(), %s, %s, 'many/' || n, '', %s, 0, '' FROM generate_series(1, 30000) n",
        [north.operator.id, KIND, clock.now()],
    )
    superuser.execute("ANALYZE accounts_job")

    assert len(claimed_of(north)) == jobs.MOST_IN_FLIGHT
    plan = _plan(superuser)

    assert plan["Rows"] < 1_000, plan
    assert claimed_of(north) == []
    superuser.execute("DELETE FROM accounts_job WHERE kind = %s", [KIND])
    superuser.execute("ANALYZE accounts_job")


def _plan(superuser: Any) -> dict[str, int]:
    """How many rows of the table any part of the claim's plan gave in all."""
    values = {
        "now": clock.now(),
        "most": jobs.MOST_ATTEMPTS,
        "in_flight": jobs.MOST_IN_FLIGHT,
        "limit": 200,
        "lease": 120,
        "kinds": [],
        "queues": [],
        "default": "default",
        "in_queue": 200,
    }
    with superuser.transaction(force_rollback=True):
        superuser.execute("SET LOCAL enable_seqscan = off")
        (said,) = superuser.execute(
            f"EXPLAIN (ANALYZE, TIMING OFF, FORMAT JSON) {claiming._CLAIM_SQL}", values
        ).fetchone()
    rows = 0
    waiting = [said[0]["Plan"]]
    while waiting:
        node = waiting.pop()
        waiting += node.get("Plans", [])
        if node.get("Relation Name") == "accounts_job":
            rows += int(node["Actual Rows"] * node["Actual Loops"]) + int(
                node.get("Rows Removed by Filter", 0)
            )
    return {"Rows": rows}


# What fails every time


def test_what_failed_five_times_is_put_aside_once_and_told_in_the_log(north, later, caplog):
    fail_for_good(north, later)
    with caplog.at_level(logging.ERROR):
        first = [one for one in jobs.put_aside() if (one.operator_id, one.kind) == (north.operator.id, KIND)]
        second = [one for one in jobs.put_aside() if one.operator_id == north.operator.id]

    (row,) = rows(north)
    assert [(one.id, one.attempts) for one in first] == [(row.id, 5)]
    assert second == []
    assert (row.quarantined_at, row.lease_until) == (clock.now(), None)
    assert [
        record.getMessage()
        for record in caplog.records
        if str(row.id) in record.getMessage() and record.levelno == logging.ERROR
    ] == [f"job_quarantined operator={north.operator.id} kind={KIND} job={row.id} attempts=5"]
    assert claimed_of(north) == []


def test_what_only_waited_for_a_worker_is_sent_again_and_never_put_aside(north, later):
    owe(north, "a")
    sent = []
    for _ in range(12):
        sent += claimed_of(north)
        later(seconds=jobs.LEASE_SECONDS + 1)
        jobs.put_aside()

    assert len(sent) == 12
    assert [(row.attempts, row.quarantined_at) for row in rows(north)] == [(2, None)]
    assert jobs.perform(north.operator.id, sent[0].id, lambda actor, job: None)


def test_an_attempt_counts_before_anything_of_it_is_done(north, later, superuser):
    """As for one that ends its worker: seen from outside while the effect runs, and kept although that is undone."""
    owe(north, "a")
    (job,) = claimed_of(north)
    seen = []

    def effect(actor: Any, row: Job) -> None:
        seen.append(
            superuser.execute(
                "SELECT attempts, begun_at FROM accounts_job WHERE id = %s", [row.id]
            ).fetchone()
        )
        raise ValueError("x")

    for _ in range(2):
        with pytest.raises(ValueError, match="x"):
            jobs.perform(north.operator.id, job.id, effect)
        later(seconds=jobs.LEASE_SECONDS + 1)
        jobs.claim_due(1_000_000)

    assert [attempts for attempts, _ in seen] == [1, 2]
    assert [begun_at is not None for _, begun_at in seen] == [False, True]
    assert [row.attempts for row in rows(north)] == [3]


def test_what_a_worker_is_still_at_is_not_put_aside(north, later, superuser):
    fail_for_good(north, later)
    (row,) = rows(north)

    with superuser.transaction():
        superuser.execute("SELECT 1 FROM accounts_job WHERE id = %s FOR UPDATE", [row.id])
        assert row.id not in {one.id for one in jobs.put_aside()}

    assert row.id in {one.id for one in jobs.put_aside()}


def test_a_late_message_may_still_do_what_was_put_aside(north, later):
    fail_for_good(north, later)
    jobs.put_aside()
    (row,) = rows(north)

    assert jobs.perform(north.operator.id, row.id, lambda actor, job: None)
    (row,) = rows(north)
    assert (row.done_at, row.quarantined_at) == (clock.now(), None)


def test_a_refusal_is_kept_in_its_own_words_and_is_no_fault(north, caplog):
    owe(north, "a")
    (job,) = claimed_of(north)

    def effect(actor, row):
        Crew.objects.create(name="Crew of a refused job")
        raise Conflict("The month is closed already.")

    with caplog.at_level(logging.WARNING), pytest.raises(Conflict):
        jobs.perform(north.operator.id, job.id, effect)

    (row,) = rows(north)
    assert (row.last_error, row.done_at) == ("The month is closed already.", None)
    assert [record.levelname for record in caplog.records if str(job.id) in record.getMessage()] == [
        "WARNING"
    ]
    with reading(north.owner):
        assert not Crew.objects.filter(name="Crew of a refused job").exists()


def test_what_a_later_one_made_good_leaves_the_list_and_what_is_about_something_stays(north, later):
    fail_for_good(north, later, "2026-06-15T12:00", kind=clockwork.SWEEP)
    owe(north, "2026-06-15T12:01", kind=clockwork.SWEEP, ref="of its own")
    owe(north, "2026-06-15T13:00", kind=clockwork.SWEEP)
    jobs.put_aside()
    with writing(north.owner):
        Job.objects.filter(ref="of its own").update(quarantined_at=clock.now(), attempts=5)
    later(minutes=1)

    jobs.let_go_made_good([clockwork.SWEEP])
    assert [row.given_up_at for row in rows(north, clockwork.SWEEP)] == [None] * 3
    newest = rows(north, clockwork.SWEEP)[-1]
    jobs.perform(north.operator.id, newest.id, lambda actor, job: None)
    jobs.let_go_made_good([clockwork.SWEEP])

    assert [row.given_up_at for row in rows(north, clockwork.SWEEP)] == [clock.now(), None, None]


def test_what_was_given_up_is_forgotten_like_what_is_done(north, later):
    owe(north, "a", "b")
    with writing(north.owner):
        Job.objects.filter(dedup_key="a").update(given_up_at=clock.now())
    later(days=8)

    jobs.forget_done(clock.now() - timedelta(days=7))

    assert [row.dedup_key for row in rows(north)] == ["b"]


# What the clock owes


def test_none_is_owed_while_one_waits_and_one_about_something_is_none(north):
    def owe_slot(slot: str) -> list[str]:
        jobs.owe_everyone(kind=KIND, slot=slot, unless_waiting=True)
        return [row.dedup_key for row in rows(north)]

    owe(north, "about", ref="something")

    assert owe_slot("1") == ["1", "about"]
    assert owe_slot("2") == ["1", "about"]
    (first, _) = rows(north)
    jobs.perform(north.operator.id, first.id, lambda actor, job: None)
    assert owe_slot("2") == ["1", "2", "about"]


def test_a_missed_day_is_owed_to_those_who_were_here(north, later):
    later(hours=1)
    new = new_cast("new")

    jobs.owe_everyone(kind=KIND, slot="day", here_before=clock.now() - timedelta(minutes=30))

    assert (len(rows(north)), len(rows(new))) == (1, 0)


def test_a_tick_owes_yesterdays_mails_of_visits_and_nothing_else_of_yesterday(database, later):
    cast = new_cast("yesterday")
    later(days=3)

    clockwork.owe_what_is_due()

    today, yesterday = f"{clock.now():%Y-%m-%d}", f"{clock.now() - timedelta(days=1):%Y-%m-%d}"
    assert [row.dedup_key for row in rows(cast, clockwork.ANNOUNCE_TOMORROW)] == [yesterday, today]
    for kind in (clockwork.REFIT, clockwork.NIGHTLY):
        assert [row.dedup_key for row in rows(cast, kind)] == [today]
    assert len(rows(cast, clockwork.SWEEP)) == 1


def test_the_same_operator_is_always_as_long_after_the_minute(north, south):
    moments = []
    for minute in range(2):
        clock.set_to(clock.now() + timedelta(minutes=1))
        jobs.owe_everyone(kind=KIND, slot=str(minute), spread_seconds=40)
        moments.append([(rows(cast)[-1].run_at - clock.now()).total_seconds() for cast in (north, south)])

    assert moments[0] == moments[1]
    assert all(0 <= one < 40 for one in moments[0])
