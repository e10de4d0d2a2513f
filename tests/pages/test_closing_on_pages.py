"""The month's page: what to look at before, trying it out, closing it, and a close that the worker does."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from decimal import Decimal
from typing import Any

import psycopg
import pytest
from django.db import connection

from accounts import jobs, tenancy
from accounts.jobs import long
from accounts.models import LongWork
from accounts.permissions import Role
from billing.commands import month_jobs, parties, prices
from billing.commands.prices import NewPriceItem
from billing.pages import closing as page
from billing.queries import closes
from billing.queries import month_jobs as going
from config.embedded import Servers
from tests.billing.books import APRIL, close, list_prices, numbers, on
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of


@pytest.fixture
def busy(north: Cast) -> Cast:
    """One unit since April with a new wick, at list prices."""
    list_prices(north)
    changed = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), changed)
    return north


def month_of(cast: Cast) -> str:
    return f"/{cast.operator.slug}/money/month"


def test_a_month_is_tried_out_and_closed_and_its_documents_listed(busy: Cast) -> None:
    visitor = signed_in(busy, Role.BOOKKEEPER)
    assert "No month is closed yet." in text_of(visitor.get(month_of(busy)))
    asked = text_of(visitor.get(f"{month_of(busy)}?month=2026-04"))
    assert "April 2026 would be the first." in asked
    tried = visitor.submit(f"{month_of(busy)}/preview", month="2026-04")
    assert tried["Location"] == f"{month_of(busy)}?previewed=2026-04"
    shown = text_of(visitor.get(f"{month_of(busy)}?month=2026-04"))
    # 30 for the whole month, 45 for the installation, 12.50 for the wick.
    assert "1 document over 87.50 EUR" in shown
    assert "Quay Schools invoice, 3 lines" in shown
    assert numbers(busy) == []
    done = visitor.submit(f"{month_of(busy)}/close", month="2026-04")
    assert done["Location"] == f"{month_of(busy)}?closed=2026-04"
    after = text_of(visitor.get(done["Location"]))
    assert "May 2026 can be closed" in after
    assert "April 2026 Mon 15 Jun, 14:00" in after
    assert numbers(busy) == ["INV-000001"]
    listed = text_of(visitor.get(f"/{busy.operator.slug}/money/documents/?month=2026-04"))
    assert "INV-000001 Quay Schools" in listed
    assert "1 document fits what you asked for." in listed


def test_a_second_look_says_what_changed(busy: Cast, later: Any) -> None:
    visitor = signed_in(busy, Role.OWNER)
    visitor.submit(f"{month_of(busy)}/preview", month="2026-04")
    assert "This was the first look." in text_of(visitor.get(f"{month_of(busy)}?month=2026-04"))
    later(minutes=1)
    visitor.submit(f"{month_of(busy)}/preview", month="2026-04")
    assert "Nothing since Mon 15 Jun, 14:00." in text_of(visitor.get(f"{month_of(busy)}?month=2026-04"))
    busy.upload(busy.event("wick.changed", busy.unit, on(4, 20), reason="failed"))
    later(minutes=2)
    visitor.submit(f"{month_of(busy)}/preview", month="2026-04")
    assert "Quay Schools was 87.50 100.00 12.50 EUR" in text_of(
        visitor.get(f"{month_of(busy)}?month=2026-04")
    )


def test_what_is_held_stops_the_close_until_it_is_left_for_later(busy: Cast) -> None:
    keeper = busy.actors[Role.BOOKKEEPER]
    parties.set_profile(actor=keeper, customer_id=busy.customer.id, values={"po_required": True})
    visitor = signed_in(busy, Role.BOOKKEEPER)
    before = text_of(visitor.get(f"{month_of(busy)}?month=2026-04"))
    assert "1 customer wants a purchase order on each invoice and gave none for April 2026." in before
    refused = visitor.submit(f"{month_of(busy)}/close", month="2026-04")
    assert refused.status_code == 409
    assert "Leave what is held for a later month" in text_of(refused)
    assert numbers(busy) == []
    left = visitor.submit(f"{month_of(busy)}/close", month="2026-04", leave_held="on")
    assert left.status_code == 302
    assert numbers(busy) == []
    with busy.reading():
        assert [one.month for one in closes.closes()] == [APRIL]


def test_a_month_that_is_not_over_or_no_month_is_refused_in_words(busy: Cast) -> None:
    visitor = signed_in(busy, Role.OWNER)
    early = visitor.submit(f"{month_of(busy)}/close", month="2026-06")
    assert early.status_code == 400
    assert "June 2026 can be closed from Wed 1 Jul 2026 on" in text_of(early)
    wrong = visitor.submit(f"{month_of(busy)}/close", month="June")
    assert wrong.status_code == 400
    assert "Name the month to close as year and month" in text_of(wrong)
    for what in ("close", "preview"):
        viewer = signed_in(busy, Role.VIEWER)
        assert viewer.submit(f"{month_of(busy)}/{what}", month="2026-04").status_code == 403


@pytest.fixture
def many(busy: Cast, monkeypatch: pytest.MonkeyPatch) -> Cast:
    """An operator of more units than one page closes itself."""
    monkeypatch.setattr(page, "AT_ONCE", 0)
    return busy


def last_work(cast: Cast) -> Any:
    with cast.reading():
        found = LongWork.objects.order_by("-asked_at", "-id").first()
    assert found is not None
    return found


def worker_does(cast: Cast, kind: str, run: Any) -> bool:
    with tenancy.reading(cast.owner):
        job = jobs.last_owed(kind)
    assert job is not None
    return run(cast.operator.id, job.id)


def test_a_large_month_is_closed_by_the_worker_while_the_page_looks_again(many: Cast) -> None:
    visitor = signed_in(many, Role.BOOKKEEPER)
    for _ in range(2):
        owed = visitor.submit(f"{month_of(many)}/close", month="2026-04")
        assert owed["Location"] == month_of(many)
    waiting = visitor.get(month_of(many))
    assert '<meta http-equiv="refresh" content="3">' in waiting.content.decode()
    assert "It waits for its turn" in text_of(waiting)
    assert "<progress" in waiting.content.decode()
    assert worker_does(many, month_jobs.CLOSE, month_jobs.run_close)
    after = visitor.get(month_of(many))
    assert "refresh" not in after.content.decode()
    assert "May 2026 can be closed" in text_of(after)
    assert numbers(many) == ["INV-000001"]
    # Owed twice, done once; and in the name of who asked for it.
    assert not worker_does(many, month_jobs.CLOSE, month_jobs.run_close)
    with many.reading():
        last = closes.last_close()
        assert last is not None
        assert last.closed_by == many.actors[Role.BOOKKEEPER].id


@contextmanager
def at_work(servers: Servers, name: str) -> Iterator[None]:
    """A worker's session, by the name that it gives itself while a chunk lasts."""
    with psycopg.connect(servers.database_url, application_name=name):
        yield


def test_the_bar_shows_how_far_the_worker_is(many: Cast, servers: Servers) -> None:
    visitor = signed_in(many, Role.BOOKKEEPER)
    visitor.submit(f"{month_of(many)}/close", month="2026-04")
    asked = last_work(many)
    with at_work(servers, f"{long.session_prefix(asked.id)}3/8"):
        shown = visitor.get(month_of(many))
        alone = visitor.get(f"/{many.operator.slug}/work/{asked.id}")
    assert '<progress id="progress" max="8" value="3">' in shown.content.decode()
    assert "3 of 8 steps are done." in text_of(shown)
    assert "April 2026 is being closed." in text_of(shown)
    assert "It is being done. Close of a month: April 2026" in text_of(alone)
    assert '<progress id="progress" max="8" value="3">' in alone.content.decode()


def test_a_close_that_goes_on_is_cancelled_on_its_page_and_nothing_is_left(many: Cast, later: Any) -> None:
    visitor = signed_in(many, Role.BOOKKEEPER)
    visitor.submit(f"{month_of(many)}/close", month="2026-04")
    work = f"/{many.operator.slug}/work/{last_work(many).id}"
    month_jobs.run_close(many.operator.id, last_work(many).job_id, seconds=0)
    assert "The work is being priced. 0 of 2 steps are done." in text_of(visitor.get(work))
    cancelled = visitor.submit(f"{work}/cancel")
    assert cancelled["Location"] == work
    assert "It was cancelled. Close of a month: April 2026" in text_of(visitor.get(work))
    assert numbers(many) == []
    assert "April 2026 is being closed." not in text_of(visitor.get(month_of(many)))
    # Cancelled twice is as once; what is done can't be.
    assert visitor.submit(f"{work}/cancel").status_code == 302
    later(minutes=1)
    visitor.submit(f"{month_of(many)}/close", month="2026-04")
    assert worker_does(many, month_jobs.CLOSE, month_jobs.run_close)
    late = visitor.submit(f"/{many.operator.slug}/work/{last_work(many).id}/cancel")
    assert late.status_code == 409
    assert "It had ended before." in text_of(late)
    assert numbers(many) == ["INV-000001"]


def test_the_list_of_long_work_shows_what_one_may_ask_for(many: Cast) -> None:
    page = f"/{many.operator.slug}/work/"
    keeper = signed_in(many, Role.BOOKKEEPER)
    assert "No long work is going on." in text_of(keeper.get(page))
    keeper.submit(f"{month_of(many)}/preview", month="2026-04")
    going_on = keeper.get(page)
    assert "1 piece of long work is going on." in text_of(going_on)
    assert "Try-out of a month: April 2026" in text_of(going_on)
    assert '<meta http-equiv="refresh"' in going_on.content.decode()
    # A dispatcher closes no months.
    assert "Try-out" not in text_of(signed_in(many, Role.DISPATCHER).get(page))
    one = f"{page}{last_work(many).id}"
    assert signed_in(many, Role.DISPATCHER).get(one).status_code == 404
    assert signed_in(many, Role.VIEWER).get(page).status_code == 403


def test_a_refusal_of_the_worker_is_told_on_the_page_and_can_be_tried_again(many: Cast, later: Any) -> None:
    visitor = signed_in(many, Role.BOOKKEEPER)
    visitor.submit(f"{month_of(many)}/preview", month="2026-05")
    assert worker_does(many, month_jobs.PREVIEW, month_jobs.run_preview)
    told = visitor.get(f"{month_of(many)}?month=2026-05")
    assert "Months are closed in order: close April 2026 first." in text_of(told)
    later(minutes=1)
    visitor.submit(f"{month_of(many)}/preview", month="2026-04")
    assert worker_does(many, month_jobs.PREVIEW, month_jobs.run_preview)
    assert "1 document over 87.50 EUR" in text_of(visitor.get(f"{month_of(many)}?month=2026-04"))


def test_nobody_sees_the_work_of_a_rival(many: Cast, south: Cast, servers: Servers) -> None:
    list_prices(south)
    month_jobs.owe_close(actor=south.owner, month=APRIL)
    theirs = last_work(south)
    with at_work(servers, f"{long.session_prefix(theirs.id)}3/8"), many.reading():
        assert going.last(going.CLOSE) is None
    visitor = signed_in(many, Role.OWNER)
    page = f"/{many.operator.slug}/work/{theirs.id}"
    assert visitor.get(page).status_code == 404
    assert visitor.submit(f"{page}/cancel").status_code == 404
    assert last_work(south).cancel_asked_at is None
    with connection.cursor() as cursor:
        cursor.execute("SHOW application_name")
        assert cursor.fetchone() == ("",)


def test_late_work_and_credits_are_marked_on_the_invoice(busy: Cast) -> None:
    close(busy, APRIL)
    busy.upload(busy.installed(busy.units[1], on(4, 20), station=1))
    visitor = signed_in(busy, Role.BOOKKEEPER)
    visitor.submit(f"{month_of(busy)}/close", month="2026-05")
    body = text_of(visitor.get(f"/{busy.operator.slug}/money/documents/INV-000002"))
    assert "Installation late" in body


def test_an_index_figure_that_is_missing_is_named(busy: Cast) -> None:
    prices.add_price_items(
        actor=busy.actors[Role.BOOKKEEPER],
        items=[NewPriceItem("visit", "Visit", "visit", Decimal(20), date(2026, 4, 1))],
    )
    visitor = signed_in(busy, Role.BOOKKEEPER)
    assert (
        visitor.submit(
            f"/{busy.operator.slug}/money/prices/visit/set",
            effective_from="2026-05-01",
            index_code="CPI",
            base_month="2025-05",
            month="2026-05",
        ).status_code
        == 302
    )
    close(busy, APRIL)
    assert "1 price waits for an index figure." in text_of(visitor.get(month_of(busy)))


def test_a_form_without_its_token_closes_nothing(busy: Cast) -> None:
    visitor: Visitor = signed_in(busy, Role.OWNER)
    assert visitor.post(f"{month_of(busy)}/close", {"month": "2026-04"}).status_code == 403
    assert numbers(busy) == []
