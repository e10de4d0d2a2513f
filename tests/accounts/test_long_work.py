"""Long work: one of a kind and ref at hand, chunk by chunk in the name of who asked, ended once, and forgotten in time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Event
from typing import Any
from uuid import UUID

import pytest
from django.db import connection, connections

from accounts import clock, jobs, tenancy
from accounts.commands import clients, customers, work
from accounts.commands.operators import change_operator
from accounts.errors import Busy, Conflict, Forbidden, NotFound
from accounts.jobs import kinds, long
from accounts.jobs.kinds import Kind
from accounts.jobs.long import Step
from accounts.models import Customer, Job, LongWork, MachineClient, Member, WorkFile
from accounts.permissions import Actor, ActorKind, Permission, Role
from accounts.queries import work as asking
from tests.cast import Cast

KIND = "tests.tasks.count"


@pytest.fixture(autouse=True)
def kind(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Kind("count", "Counting", Permission.CUSTOMERS_MANAGE, "customers", phases={"up": "It counts."})
    monkeypatch.setitem(kinds.KINDS, KIND, one)


def begun(cast: Cast, ref: str = "r", actor: Actor | None = None, **how: Any) -> LongWork:
    with tenancy.writing(cast.owner):
        return long.begin(kind=KIND, ref=ref, asked={"to": 3}, actor=actor or cast.dispatcher, **how)


def again(cast: Cast, one: LongWork) -> LongWork:
    with cast.reading():
        return LongWork.objects.get(id=one.id)


def job_of(cast: Cast, one: LongWork) -> Job:
    with cast.reading():
        return Job.objects.get(id=LongWork.objects.get(id=one.id).job_id)


def again_row(one: LongWork) -> LongWork:
    return LongWork.objects.get(id=one.id)


def run(cast: Cast, one: LongWork, chunk: Callable[[Actor, LongWork], Step], **how: Any) -> bool:
    job_id = again(cast, one).job_id
    assert job_id is not None
    return long.run(cast.operator.id, job_id, chunk=chunk, **how)


def counting(actor: Actor, one: LongWork) -> Step:
    at = one.cursor.get("at", 0) + 1
    return Step(
        at, one.asked["to"], is_last=at == one.asked["to"], cursor={"at": at}, result={"sum": at}, phase="up"
    )


def test_one_of_a_kind_and_ref_is_at_hand_at_a_time(north: Cast, south: Cast) -> None:
    first = begun(north)
    assert begun(north).id == first.id
    assert begun(north, "other").id != first.id
    assert begun(south).id != first.id
    run(north, first, counting)
    assert begun(north).id != first.id


def test_two_at_once_begin_one(north: Cast) -> None:
    def ask() -> UUID:
        try:
            return begun(north).id
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as pool:
        ids = {one.result() for one in [pool.submit(ask) for _ in range(4)]}
    assert len(ids) == 1
    with north.reading():
        assert Job.objects.filter(kind=KIND).count() == 1


def test_who_may_not_do_it_may_not_ask_for_it(north: Cast) -> None:
    with pytest.raises(Forbidden):
        begun(north, actor=north.actors[Role.BOOKKEEPER])
    with north.reading():
        assert not LongWork.objects.exists()


def test_its_files_are_kept_by_number_and_parts_go_with_its_end(north: Cast) -> None:
    one = begun(north, files=[("rows.csv", b"a"), ("more.csv", b"b")])

    def chunk(actor: Actor, at: LongWork) -> Step:
        long.put_file(at, 2, long.PART, b"c")
        long.put_file(at, 1, "more.csv", b"d")
        assert [bytes(file.content) for file in long.files_of(at)] == [b"a", b"d", b"c"]
        assert [file.number for file in long.files_of(at, long.PART)] == [2]
        return counting(actor, at)

    run(north, one, chunk)
    with north.reading():
        assert long.file_names(one) == {0: "rows.csv", 1: "more.csv"}
        with pytest.raises(NotFound, match="30 days"):
            long.file_of(one, 2)


def test_each_chunk_stores_how_far_it_is_and_the_next_begins_there(north: Cast) -> None:
    one = begun(north)
    seen: list[Any] = []

    def chunk(actor: Actor, at: LongWork) -> Step:
        seen.append((actor.kind, actor.role, actor.id, at.cursor))
        return counting(actor, at)

    for done in (1, 2, 3):
        assert run(north, one, chunk, seconds=0)
        row = again(north, one)
        assert (row.done, row.of, row.chunks, row.result) == (done, 3, done, {"sum": done})
    who = (ActorKind.MEMBER, Role.DISPATCHER, north.dispatcher.id)
    assert seen == [(*who, {}), (*who, {"at": 1}), (*who, {"at": 2})]
    assert (row.outcome, row.said) == ("done", "")
    with north.reading():
        keys = Job.objects.filter(kind=KIND).order_by("dedup_key").values_list("dedup_key", "done_at")
        assert [(key, done_at is not None) for key, done_at in keys] == [
            (f"{one.id}/{number}", True) for number in range(3)
        ]


def test_commands_in_a_chunk_are_part_of_it(north: Cast) -> None:
    one = begun(north)

    def chunk(actor: Actor, at: LongWork) -> Step:
        rows = [{"code": f"L{at.chunks}", "name": "Lock Hotels", "country": "AT"}]
        customers.add_customers(actor=actor, customers=rows)
        if at.chunks == 1:
            raise ZeroDivisionError
        return counting(actor, at)

    with pytest.raises(ZeroDivisionError):
        run(north, one, chunk)
    with north.reading():
        assert set(Customer.objects.filter(code__startswith="L").values_list("code", flat=True)) == {"L0"}
    row, job = again(north, one), job_of(north, one)
    assert (row.chunks, row.cursor, row.ended_at) == (1, {"at": 1}, None)
    # The lease stays as the pause before the next attempt; what was stored before is not done again.
    assert (job.attempts, job.done_at, "ZeroDivisionError" in job.last_error) == (1, None, True)
    assert run(north, one, counting)
    assert (again(north, one).outcome, job_of(north, one).last_error) == ("done", "")


def test_a_refusal_ends_it_with_its_sentence_and_nothing_of_its_chunk(north: Cast) -> None:
    one = begun(north)

    def chunk(actor: Actor, at: LongWork) -> Step:
        customers.add_customers(
            actor=actor, customers=[{"code": "L1", "name": "Lock Hotels", "country": "AT"}]
        )
        raise Conflict("There is something in the way.")

    assert run(north, one, chunk)
    row = again(north, one)
    assert (row.outcome, row.said) == ("refused", "There is something in the way.")
    assert job_of(north, one).done_at is not None
    with north.reading():
        assert not Customer.objects.filter(code="L1").exists()
    assert not run(north, one, chunk)


def test_others_at_work_are_no_refusal(north: Cast) -> None:
    one = begun(north)

    def chunk(actor: Actor, at: LongWork) -> Step:
        raise Busy("Others are at it.")

    with pytest.raises(Busy):
        run(north, one, chunk)
    assert again(north, one).ended_at is None
    assert run(north, one, counting)


def test_it_is_in_the_operators_words(north: Cast) -> None:
    said = {"name": north.operator.name, "legal_name": north.operator.legal_name, "measures": "metric"}
    change_operator(actor=north.owner, locale="de-DE", **said)
    one = begun(north)
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.dispatcher.id).update(role="viewer")
    run(north, one, counting)
    assert again(north, one).outcome == "refused"
    assert again(north, one).said.startswith("Ihre Rolle")


def test_who_was_deactivated_does_no_more(north: Cast) -> None:
    one = begun(north)
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.dispatcher.id).update(is_active=False)
    run(north, one, counting)
    assert again(north, one).said.startswith("Who asked for this is no longer here")


def test_whose_role_was_taken_does_no_more(north: Cast) -> None:
    one = begun(north)
    run(north, one, counting, seconds=0)
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.dispatcher.id).update(role="viewer")
    run(north, one, counting)
    row = again(north, one)
    assert (row.outcome, row.done) == ("refused", 1)
    assert "viewer" in row.said


def test_a_program_asks_with_its_scopes_of_today(north: Cast) -> None:
    made, _secret = clients.make_client(actor=north.owner, name="Books", scopes=["customers:manage"])
    actor = Actor(
        north.operator.id,
        ActorKind.CLIENT,
        Role.OWNER,
        made.uuid,
        "Books",
        scopes=frozenset({Permission.CUSTOMERS_MANAGE}),
    )
    one = begun(north, actor=actor)
    seen: list[Actor] = []

    def chunk(who: Actor, at: LongWork) -> Step:
        seen.append(who)
        return counting(who, at)

    run(north, one, chunk, seconds=0)
    assert seen == [actor]
    with tenancy.writing(north.owner):
        MachineClient.objects.filter(uuid=made.uuid).update(scopes=["customers:read"])
    run(north, one, chunk)
    assert "it lacks the scope customers:manage" in again(north, one).said
    other = begun(north, "other", actor=actor)
    clients.revoke_client(actor=north.owner, client_uuid=made.uuid)
    run(north, other, chunk)
    assert (again(north, other).outcome, len(seen)) == ("refused", 1)


@pytest.fixture
def at_work(north: Cast) -> Iterator[tuple[LongWork, Event, Any]]:
    """A worker in the middle of a chunk, until it is let go."""
    one, begins, may_end = begun(north), Event(), Event()

    def chunk(actor: Actor, at: LongWork) -> Step:
        long.put_file(at, 7, "put aside", b"x")
        long.telling(at)(5, 9)
        begins.set()
        assert may_end.wait(60)
        return counting(actor, at)

    def work_on() -> bool:
        try:
            return run(north, one, chunk)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        going = pool.submit(work_on)
        assert begins.wait(60)
        try:
            yield one, may_end, going
        finally:
            may_end.set()


def test_nobody_else_does_what_a_worker_is_at_however_long(north: Cast, at_work: Any, later: Any) -> None:
    one, may_end, going = at_work
    later(seconds=10 * jobs.LEASE_SECONDS)
    # The lease has long ended; the row is locked, so it is neither claimed nor done twice.
    assert one.job_id not in {claimed.id for claimed in jobs.claim_due(10_000)}
    assert not run(north, one, counting)
    assert begun(north).id == one.id
    may_end.set()
    assert going.result()


def test_a_chunk_at_work_shows_how_far_it_is(north: Cast, at_work: Any) -> None:
    one, _may_end, _going = at_work
    with north.reading():
        shown = asking.shown([again_row(one)])[0]
    assert (shown.state, shown.done, shown.of) == ("running", 5, 9)


def test_a_cancel_waits_for_no_chunk_and_ends_it_after_this_one(north: Cast, at_work: Any) -> None:
    one, may_end, going = at_work
    found = work.cancel(actor=north.dispatcher, work_id=one.id)
    assert (found.ended_at, found.cancel_asked_at is not None) == (None, True)
    with north.reading():
        assert asking.shown([found])[0].state == "cancelling"
    with pytest.raises(Conflict, match="just being cancelled"):
        begun(north)
    may_end.set()
    assert going.result()
    row = again(north, one)
    assert (row.outcome, row.chunks) == ("cancelled", 1)
    with north.reading():
        assert not WorkFile.objects.filter(work=one).exists()
    assert begun(north).id != one.id


def test_a_cancel_while_nobody_is_at_it_ends_it_at_once(north: Cast, south: Cast) -> None:
    one = begun(north, files=[("rows.csv", b"a")])
    for stranger, why in ((south.dispatcher, NotFound), (north.actors[Role.BOOKKEEPER], NotFound)):
        with pytest.raises(why):
            work.cancel(actor=stranger, work_id=one.id)
    with pytest.raises(Forbidden):
        work.cancel(actor=north.actors[Role.VIEWER], work_id=one.id)
    assert work.cancel(actor=north.dispatcher, work_id=one.id).outcome == "cancelled"
    assert not run(north, one, counting)
    with north.reading():
        assert not WorkFile.objects.filter(work=one).exists()
    assert work.cancel(actor=north.dispatcher, work_id=one.id).outcome == "cancelled"
    done = begun(north)
    run(north, done, counting)
    with pytest.raises(Conflict, match="ended before"):
        work.cancel(actor=north.dispatcher, work_id=done.id)


@pytest.mark.parametrize("seconds", [0, 40])
def test_a_cancel_that_comes_as_a_chunk_is_stored_takes_nothing_from_it(
    north: Cast, monkeypatch: pytest.MonkeyPatch, seconds: int
) -> None:
    one = begun(north, files=[("rows.csv", b"a")])
    found = asking.get_work

    def found_before_it_is_stored(actor: Actor, work_id: UUID) -> LongWork:
        before = found(actor, work_id)
        with ThreadPoolExecutor(1) as pool:
            pool.submit(run, north, one, counting, seconds=seconds).result()
            pool.submit(connections.close_all).result()
        return before

    monkeypatch.setattr(asking, "get_work", found_before_it_is_stored)
    if seconds:
        with pytest.raises(Conflict, match="ended before"):
            work.cancel(actor=north.dispatcher, work_id=one.id)
        with north.reading():
            assert long.file_of(one, 0).name == "rows.csv"
    else:
        next_one = work.cancel(actor=north.dispatcher, work_id=one.id)
        assert (next_one.outcome, next_one.chunks) == ("cancelled", 1)
        assert job_of(north, one).done_at is not None


def test_what_is_given_up_shows_as_failed(north: Cast) -> None:
    one = begun(north)
    run(north, one, counting, seconds=0)
    with tenancy.writing(north.owner):
        Job.objects.filter(id=again_row(one).job_id).update(given_up_at=clock.now())
    with north.reading():
        assert asking.shown([again_row(one)])[0].state == "failed"
    assert not run(north, one, counting)
    assert work.cancel(actor=north.dispatcher, work_id=one.id).outcome == "cancelled"


def test_files_are_kept_for_a_month_and_rows_for_a_year(north: Cast, later: Any) -> None:
    ended, waiting = begun(north, files=[("a", b"a")]), begun(north, "other", files=[("b", b"b")])
    run(north, ended, counting)

    def kept() -> tuple[int, int]:
        work.forget_works(
            files_before=clock.now() - timedelta(days=30), rows_before=clock.now() - timedelta(days=365)
        )
        with north.reading():
            return WorkFile.objects.count(), LongWork.objects.count()

    assert kept() == (2, 2)
    later(days=31)
    assert kept() == (1, 2)
    later(days=365)
    assert kept() == (1, 1)
    assert again(north, waiting).ended_at is None


def test_a_session_has_its_name_for_as_long_as_the_chunk(north: Cast) -> None:
    one = begun(north)
    with tenancy.writing(north.owner):
        long.telling(one)(1, 2)
        with connection.cursor() as cursor:
            cursor.execute("SHOW application_name")
            assert cursor.fetchone() == (f"{long.session_prefix(one.id)}1/2",)
    with connection.cursor() as cursor:
        cursor.execute("SHOW application_name")
        assert cursor.fetchone() == ("",)
