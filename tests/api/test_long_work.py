"""Long work at the API: asked for by RFC 7240's preference, followed at its address, cancelled; of one's own operator only."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest

from accounts.jobs import kinds
from accounts.models import LongWork
from accounts.permissions import Role
from billing.commands import month_jobs
from tests.api.callers import Api, phone_of, program_of, signed_in
from tests.billing.books import list_prices, numbers, on
from tests.cast import Cast

# RFC 7240 section 2: preferences are separated by commas, names are case-insensitive, parameters follow a semicolon.
PREFERRED = ("respond-async", "Respond-Async", "wait=10, respond-async", "respond-async; foo=bar")
NOT_PREFERRED = ("", "wait=10", "return=minimal", "not-respond-async", "respond-asynchronously")
BODY = {"month": "2026-04-01"}


@pytest.fixture
def busy(north: Cast) -> Cast:
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    return north


def sent(client: Api, path: str, prefer: str = "respond-async", **body: Any) -> Any:
    return client.send(path, BODY | body, headers={"prefer": prefer})


def only_work(cast: Cast) -> Any:
    with cast.reading():
        return LongWork.objects.get()


def test_a_close_that_need_not_be_waited_for_is_done_by_a_worker(busy: Cast) -> None:
    books = signed_in(busy, Role.BOOKKEEPER)
    taken = sent(books, "month-closes")
    assert taken.status_code == 202
    told = taken.json()
    assert taken["Location"] == f"/api/v1/work/{told['id']}"
    assert taken["Preference-Applied"] == "respond-async"
    assert (told["kind"], told["about"], told["state"]) == ("month_close", "2026-04", "waiting")
    assert (told["done"], told["of"], told["asked_by"]) == (0, 0, busy.actors[Role.BOOKKEEPER].name)
    assert numbers(busy) == []
    # Asked for twice it is one.
    assert sent(books, "month-closes").json()["id"] == told["id"]
    month_jobs.run_close(busy.operator.id, only_work(busy).job_id, seconds=0)
    running = books.get(taken["Location"]).json()
    assert (running["state"], running["done"], running["of"]) == ("running", 0, 2)
    month_jobs.run_close(busy.operator.id, only_work(busy).job_id)
    done = books.get(taken["Location"]).json()
    assert (done["state"], done["done"], done["of"], done["said"]) == ("done", 2, 2, "")
    closes = books.read("month-closes").json()["results"]
    assert [close["id"] for close in closes] == [done["result"]["id"]]
    assert [one["id"] for one in books.read("work").json()["results"]] == [told["id"]]
    assert numbers(busy) == ["INV-000001"]


def test_a_try_out_likewise_and_a_refusal_is_said(busy: Cast) -> None:
    books = signed_in(busy, Role.BOOKKEEPER)
    taken = sent(books, "month-previews")
    assert taken.status_code == 202
    month_jobs.run_preview(busy.operator.id, only_work(busy).job_id)
    done = books.get(taken["Location"]).json()
    previews = books.read("month-previews").json()["results"]
    assert [one["id"] for one in previews] == [done["result"]["id"]]
    late = sent(books, "month-closes", month="2026-06-01")
    with busy.reading():
        job_id = LongWork.objects.get(id=late.json()["id"]).job_id
    month_jobs.run_close(busy.operator.id, job_id)
    refused = books.get(late["Location"]).json()
    assert refused["state"] == "refused"
    assert "can be closed from" in refused["said"]


def test_what_says_nothing_of_it_is_answered_at_once_as_before(busy: Cast) -> None:
    books = signed_in(busy, Role.BOOKKEEPER)
    for prefer in NOT_PREFERRED:
        answer = sent(books, "month-previews", prefer)
        assert (answer.status_code, "Preference-Applied" in answer) == (201, False)
    for prefer in PREFERRED:
        assert sent(books, "month-previews", prefer).status_code == 202
    assert sent(books, "month-closes", "wait=10").status_code == 201


def test_what_names_no_month_is_refused_before_anything_is_owed(busy: Cast) -> None:
    books = signed_in(busy, Role.BOOKKEEPER)
    assert sent(books, "month-closes", month="2026-04-15").status_code == 400
    assert sent(signed_in(busy, Role.VIEWER), "month-closes").status_code == 403
    with busy.reading():
        assert not LongWork.objects.exists()


def test_it_is_cancelled_once_and_not_when_it_has_ended(busy: Cast) -> None:
    books = signed_in(busy, Role.BOOKKEEPER)
    work = sent(books, "month-closes").json()["id"]
    cancelled = books.send(f"work/{work}/cancel")
    assert (cancelled.status_code, cancelled.json()["state"]) == (200, "cancelled")
    assert books.send(f"work/{work}/cancel").status_code == 200
    done = sent(books, "month-closes").json()["id"]
    with busy.reading():
        job_id = LongWork.objects.get(id=done).job_id
    month_jobs.run_close(busy.operator.id, job_id)
    late = books.send(f"work/{done}/cancel")
    assert late.status_code == 409
    assert late.json()["detail"] == "It had ended before. What it did can no longer be cancelled."
    assert books.send(f"work/{uuid4()}/cancel").status_code == 404


def test_who_may_follow_what(busy: Cast, south: Cast) -> None:
    work = sent(signed_in(busy, Role.BOOKKEEPER), "month-closes").json()["id"]
    program = program_of(busy, "work:read", "invoices:issue")
    assert program.read(f"work/{work}").status_code == 200
    assert program.send(f"work/{work}/cancel").status_code == 200
    # Without the scope of the act itself it is not there; without that of following it is refused.
    other = program_of(busy, "work:read", "prices:manage")
    assert other.read(f"work/{work}").status_code == 404
    assert other.read("work").json()["results"] == []
    assert program_of(busy, "invoices:issue").read(f"work/{work}").status_code == 403
    assert signed_in(busy, Role.DISPATCHER).read(f"work/{work}").status_code == 404
    assert phone_of(busy).read("work").status_code == 403
    for theirs in (signed_in(south), program_of(south)):
        assert theirs.read(f"work/{work}").status_code == 404
        assert theirs.send(f"work/{work}/cancel").status_code == 404
        assert theirs.read("work").json()["results"] == []


def test_a_list_of_many_comes_page_by_page_the_newest_first(busy: Cast, later: Any) -> None:
    ids = []
    for _ in range(3):
        later(seconds=60)
        ids.append(str(month_jobs.owe_preview(actor=busy.owner, month=on(4, 1).date()).id))
        month_jobs.run_preview(busy.operator.id, newest(busy).job_id)
    owner = signed_in(busy)
    first = owner.read("work", limit=2).json()
    rest = owner.read("work", limit=2, after=first["next"]).json()
    assert [one["id"] for one in first["results"]] == ids[:0:-1]
    assert ([one["id"] for one in rest["results"]], rest["next"]) == (ids[:1], None)


def newest(cast: Cast) -> Any:
    with cast.reading():
        found = LongWork.objects.order_by("-asked_at", "-id").first()
    assert found is not None
    return found


def test_the_words_of_kinds_are_no_names_of_tasks() -> None:
    words = [kind.word for kind in kinds.KINDS.values()]
    assert len(set(words)) == len(words)
    assert all(word.replace("_", "").isalpha() for word in words)
