"""A close by the worker, chunk by chunk: the bytes of a close alone, whatever comes between two chunks, or nothing."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import orjson
import pytest
from django.db import transaction

from accounts import clock, jobs, tenancy
from accounts.commands import work
from accounts.jobs import long
from accounts.models import Job, LongWork, Member, Site, WorkFile
from accounts.pages.audit_words import KINDS as AUDIT_KINDS
from accounts.permissions import Role
from billing.commands import closing, month_jobs, parties, previewing, prices
from billing.models import Charge, Document, EventDisposition, PeriodClose
from billing.projections import adding, grouping, shelving, unread
from billing.projections.parting import for_documents
from billing.queries import closes, previews
from billing.rules.freezing import frozen_shared, thawed
from tests.benchmarks.billing.closer import digest_of_documents
from tests.billing.books import APRIL, close, list_prices, numbers, on
from tests.billing.test_closing_in_parts import second_customer
from tests.cast import Cast


@pytest.fixture
def busy(north: Cast, monkeypatch: pytest.MonkeyPatch) -> Cast:
    """Two customers with a unit each, so two parts; a chunk rates one of them."""
    monkeypatch.setattr(grouping, "SUBJECTS_IN_A_PART", 1)
    monkeypatch.setattr(month_jobs, "CHUNK_SECONDS", 0)
    list_prices(north)
    second_customer(north)
    north.upload(
        north.installed(at=on(4, 1)),
        north.installed(north.units[1], on(4, 6), station=3),
        north.event("wick.changed", north.unit, on(4, 14), reason="age"),
    )
    return north


def alone(cast: Cast) -> str:
    """The digest of the documents of a close in one transaction, which is undone."""
    with tenancy.writing(cast.actors[Role.BOOKKEEPER]):
        closing.close_in_scope(actor=cast.actors[Role.BOOKKEEPER], month=APRIL)
        found = digest_of_documents()
        transaction.set_rollback(True)
    return found


def owed(cast: Cast, **how: Any) -> Any:
    return month_jobs.owe_close(actor=cast.actors[Role.BOOKKEEPER], month=APRIL, **how)


def again(cast: Cast, asked: Any) -> Any:
    with cast.reading():
        return LongWork.objects.get(id=asked.id)


def a_chunk(cast: Cast, asked: Any, run: Any = month_jobs.run_close) -> Any:
    """One message that has time for one chunk."""
    run(cast.operator.id, again(cast, asked).job_id, seconds=0)
    return again(cast, asked)


def to_the_end(cast: Cast, asked: Any, run: Any = month_jobs.run_close) -> Any:
    for _ in range(40):
        found = a_chunk(cast, asked, run)
        if found.ended_at is not None:
            return found
    raise AssertionError(f"It has not ended: {found.cursor}")


def left(cast: Cast) -> dict[str, int]:
    with cast.reading():
        tables = (PeriodClose, Document, Charge, EventDisposition, WorkFile)
        return {model.__name__: model.objects.count() for model in tables if model.objects.exists()}


def renamed(cast: Cast, name: str) -> None:
    with tenancy.writing(cast.owner):
        Site.objects.filter(id=cast.site.id).update(name=name)


def documents(cast: Cast) -> str:
    with cast.reading():
        return digest_of_documents()


def test_each_chunk_by_another_message_gives_the_bytes_of_a_close_alone(busy: Cast) -> None:
    wanted = alone(busy)
    asked = owed(busy)
    told = [(one.done, one.of, one.phase) for one in (a_chunk(busy, asked) for _ in range(3))]
    assert told == [(0, 4, "rating"), (1, 4, "rating"), (2, 4, "storing")]
    assert left(busy) == {"WorkFile": 2}
    ended = a_chunk(busy, asked)
    assert (ended.outcome, ended.done, ended.of) == ("done", 4, 4)
    assert documents(busy) == wanted
    assert "WorkFile" not in left(busy)
    assert adding.check(busy.operator.id) == []
    with busy.reading():
        last = closes.last_close()
        assert last is not None
        assert (last.closed_by, str(last.id)) == (busy.actors[Role.BOOKKEEPER].id, ended.result["id"])
        assert Job.objects.filter(kind=month_jobs.CLOSE, done_at=None).count() == 0
    # A message that comes once more finds nothing to do.
    assert not month_jobs.run_close(busy.operator.id, ended.job_id)


def test_one_message_does_all_chunks_for_which_it_has_time(busy: Cast) -> None:
    wanted = alone(busy)
    asked = owed(busy)
    assert month_jobs.run_close(busy.operator.id, asked.job_id)
    assert again(busy, asked).outcome == "done"
    assert documents(busy) == wanted


@pytest.mark.parametrize("at", range(4))
def test_a_chunk_that_breaks_is_done_again_and_the_bytes_are_the_same(
    busy: Cast, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    wanted = alone(busy)
    asked = owed(busy)
    for _ in range(at):
        a_chunk(busy, asked)
    before = again(busy, asked)

    def breaks(*_: Any, **__: Any) -> None:
        raise ConnectionError("the worker was ended")

    with monkeypatch.context() as broken:
        broken.setattr(long, "_store", breaks)
        with pytest.raises(ConnectionError):
            a_chunk(busy, asked)
    after = again(busy, asked)
    assert (after.cursor, after.done, after.ended_at) == (before.cursor, before.done, None)
    with busy.reading():
        assert "ConnectionError" in Job.objects.get(id=after.job_id).last_error
    assert left(busy).keys() <= {"WorkFile"}
    assert to_the_end(busy, asked).outcome == "done"
    assert documents(busy) == wanted


def test_what_was_changed_between_is_read_again_and_only_its_parts_are_rated_again(
    busy: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    rated: list[int] = []
    was = shelving.Shelf.rate

    def rate(shelf: Any, part: Any) -> None:
        rated.append(part.number)
        was(shelf, part)

    monkeypatch.setattr(shelving.Shelf, "rate", rate)
    asked = owed(busy)
    for _ in range(3):
        a_chunk(busy, asked)
    assert rated == [1, 2]
    renamed(busy, "New name")
    wanted = alone(busy)
    assert to_the_end(busy, asked).outcome == "done"
    assert rated == [1, 2, 2]
    assert documents(busy) == wanted
    assert adding.check(busy.operator.id) == []


def test_a_price_that_is_changed_between_is_on_the_documents(busy: Cast) -> None:
    asked = owed(busy)
    for _ in range(3):
        a_chunk(busy, asked)
    before = alone(busy)
    prices.set_price(
        actor=busy.actors[Role.BOOKKEEPER],
        item_code="wick",
        amount=Decimal(13),
        effective_from=on(4, 10).date(),
    )
    wanted = alone(busy)
    assert wanted != before
    assert to_the_end(busy, asked).outcome == "done"
    assert documents(busy) == wanted


def test_an_office_that_changes_things_all_the_time_does_not_keep_a_close_from_ending(busy: Cast) -> None:
    asked = owed(busy)
    for number in range(40):
        found = a_chunk(busy, asked)
        if found.ended_at is not None:
            break
        renamed(busy, f"Name {number}")
    assert found.outcome == "done"
    with busy.reading():
        names = {row.site_name for row in Charge.objects.filter(site_id=busy.site.id)}
    assert names == {f"Name {number - 1}"}
    assert adding.check(busy.operator.id) == []


def test_what_no_close_reads_is_a_kind_of_the_audit(busy: Cast) -> None:
    assert AUDIT_KINDS.keys() >= unread.NEVER_READ
    with busy.reading():
        seen = unread.last_number()
    owed(busy)
    with busy.reading():
        assert unread.last_number() > seen
        assert not unread.is_changed_since(seen)
    renamed(busy, "Else")
    with busy.reading():
        assert unread.is_changed_since(seen)


def test_work_that_comes_after_the_position_is_for_the_next_close(busy: Cast) -> None:
    wanted = alone(busy)
    asked = owed(busy)
    a_chunk(busy, asked)
    late = busy.event("wick.changed", busy.units[1], on(4, 20), reason="age")
    busy.upload(late)
    assert to_the_end(busy, asked).outcome == "done"
    assert documents(busy) == wanted
    with busy.reading():
        assert not EventDisposition.objects.filter(event_id=late["id"]).exists()


@pytest.mark.parametrize("at", range(4))
def test_a_cancel_before_the_last_chunk_leaves_nothing(busy: Cast, at: int) -> None:
    asked = owed(busy)
    for _ in range(at):
        a_chunk(busy, asked)
    found: Any = work.cancel(actor=busy.actors[Role.BOOKKEEPER], work_id=asked.id)
    assert found.outcome == "cancelled"
    assert left(busy) == {}
    assert not month_jobs.run_close(busy.operator.id, found.job_id)
    # And it can be asked for again.
    wanted = alone(busy)
    assert to_the_end(busy, owed(busy)).outcome == "done"
    assert documents(busy) == wanted


def test_what_is_held_refuses_it_in_a_sentence_and_leaves_nothing(busy: Cast) -> None:
    keeper = busy.actors[Role.BOOKKEEPER]
    parties.set_profile(actor=keeper, customer_id=busy.customer.id, values={"po_required": True})
    refused = to_the_end(busy, owed(busy))
    assert refused.outcome == "refused"
    assert "Nothing was closed: " in refused.said
    assert left(busy) == {}
    assert to_the_end(busy, owed(busy, leave_held=True)).outcome == "done"
    assert len(numbers(busy)) == 1


def test_who_may_no_longer_close_months_closes_none(busy: Cast) -> None:
    asked = owed(busy)
    a_chunk(busy, asked)
    with tenancy.writing(busy.owner):
        Member.objects.filter(id=busy.actors[Role.BOOKKEEPER].id).update(role="viewer")
    assert "may not do this" in to_the_end(busy, asked).said
    assert left(busy) == {}


def test_a_month_that_is_closed_meanwhile_is_refused(busy: Cast) -> None:
    asked = owed(busy)
    a_chunk(busy, asked)
    close(busy, APRIL)
    refused = to_the_end(busy, asked)
    assert (refused.outcome, refused.said.partition(".")[0]) == ("refused", "April 2026 is closed already")
    assert left(busy)["PeriodClose"] == 1


def test_a_close_that_waits_in_quarantine_goes_on_from_where_it_was(busy: Cast, later: Any) -> None:
    wanted = alone(busy)
    asked = owed(busy)
    a_chunk(busy, asked)
    with tenancy.writing(busy.owner):
        Job.objects.filter(id=again(busy, asked).job_id).update(attempts=5, quarantined_at=on(7, 1))
    with busy.reading():
        assert long.is_stuck(again(busy, asked))
    with tenancy.writing(busy.owner):
        Job.objects.filter(id=again(busy, asked).job_id).update(attempts=0, quarantined_at=None)
    assert to_the_end(busy, asked).outcome == "done"
    assert documents(busy) == wanted


def test_one_that_failed_for_good_makes_room_for_a_new_one(busy: Cast) -> None:
    asked = owed(busy)
    a_chunk(busy, asked)
    with tenancy.writing(busy.owner):
        Job.objects.filter(id=again(busy, asked).job_id).update(attempts=5, quarantined_at=on(7, 1))
    fresh = owed(busy)
    assert fresh.id != asked.id
    assert again(busy, asked).outcome == "failed"
    assert to_the_end(busy, fresh).outcome == "done"


def test_a_try_out_by_chunks_says_what_one_at_once_says_and_issues_nothing(busy: Cast) -> None:
    keeper = busy.actors[Role.BOOKKEEPER]
    at_once = previewing.preview_month(actor=keeper, month=APRIL).summary
    clock.set_to(clock.now() + timedelta(minutes=1))
    asked = month_jobs.owe_preview(actor=keeper, month=APRIL)
    assert to_the_end(busy, asked, month_jobs.run_preview).outcome == "done"
    with busy.reading():
        last = previews.last_preview(APRIL)
        assert last is not None
        assert last.summary | {"since": None} == at_once | {"since": None}
        assert last.summary["since"]["documents"] == []
    assert left(busy) == {}


def test_a_month_that_runs_is_tried_out_as_if_it_had_ended(busy: Cast) -> None:
    close(busy, APRIL)
    with busy.reading():
        june = closes.last_close()
    assert june is not None
    for month, state in ((5, "done"), (7, "refused")):
        asked = month_jobs.owe_preview(actor=busy.owner, month=APRIL.replace(month=month))
        assert to_the_end(busy, asked, month_jobs.run_preview).outcome == state


def test_inputs_of_a_part_come_back_from_their_bytes_as_they_were(busy: Cast) -> None:
    """The documents are made from what was put aside, so nothing may get lost on the way."""
    with busy.reading():
        plan = adding.planned(closing.begun(APRIL))
        shared = frozen_shared(plan.closing.shared)
        for part in plan.parts:
            added = plan.rated(part)
            assert for_documents(thawed({**shared, **orjson.loads(added.frozen)})) == added.inputs


def test_its_lease_is_prolonged_with_each_chunk(busy: Cast, later: Any) -> None:
    asked = owed(busy)
    with tenancy.writing(busy.owner):
        Job.objects.filter(id=asked.job_id).update(attempts=4, last_error="before")
    month_jobs.run_close(busy.operator.id, asked.job_id, seconds=0)
    at_work = again(busy, asked)
    assert at_work.job_id != asked.job_id
    later(seconds=jobs.LEASE_SECONDS)
    assert to_the_end(busy, asked).outcome == "done"
