"""Trying out a month's close: the close's own figures, nothing stored of it, and what changed since the last time."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest

from accounts import clock
from accounts.errors import Conflict, Forbidden
from accounts.permissions import Role
from billing.commands import closing
from billing.commands.previewing import preview_month
from billing.models import NumberSeries
from billing.queries import checking, closes, documents, previews
from tests.api.callers import made, refused, signed_in
from tests.billing.books import APRIL, MAY, close, list_prices, numbers, on

LATER = datetime(2026, 5, 3, 9, tzinfo=UTC)


@pytest.fixture
def april(north):
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, on(4, 24), reason="age")
    )
    return north


def preview(cast, month=APRIL, at=LATER):
    with clock.playing(at):
        return preview_month(actor=cast.actors[Role.BOOKKEEPER], month=month)


def totals(summary):
    return {row["rule"]: row["amount"] for row in summary["totals"]}


def test_a_preview_gives_what_the_close_will_give_and_stores_nothing_of_it(april):
    told = preview(april).summary

    assert totals(told) == {"event": "12.50", "install": "45.00", "unit_month": "30.00"}
    assert [(d["number"], d["payer"], d["net"], d["lines"]) for d in told["documents"]] == [
        ("INV-000001", "C1", "87.50", 3)
    ]
    assert told["held"] == []
    assert told["since"] is None
    with april.reading():
        assert list(closes.closes()) == []
        assert list(closes.charges()) == []
        assert all(series.next == 1 for series in NumberSeries.objects.all())
    assert numbers(april) == []

    close(april, APRIL)

    with april.reading():
        assert previews.summary_of(closes.last_close()) == {
            name: value for name, value in told.items() if name not in {"since", "checks"}
        }


def test_the_next_preview_says_what_changed_since(april):
    preview(april)
    april.upload(
        april.installed(april.units[1], on(4, 21), station=1),
    )

    since = preview(april).summary["since"]

    assert [(row["rule"], row["was"], row["now"], row["difference"]) for row in since["totals"]] == [
        ("install", "45.00", "90.00", "45.00"),
        ("unit_month", "30.00", "40.00", "10.00"),
    ]
    assert [(row["payer"], row["was"], row["now"]) for row in since["documents"]] == [
        ("C1", "87.50", "142.50")
    ]
    assert since["held"] == {"new": [], "gone": []}


def test_two_previews_of_the_same_log_differ_in_nothing(april):
    first, second = preview(april).summary, preview(april).summary

    since = second.pop("since")
    assert first.pop("since") is None
    assert first == second
    assert (since["totals"], since["documents"], since["held"]) == ([], [], {"new": [], "gone": []})


def test_a_month_that_runs_is_previewed_as_if_it_ended_now(april):
    told = preview(april, at=datetime(2026, 4, 25, 9, tzinfo=UTC)).summary

    assert totals(told)["unit_month"] == "30.00"
    assert told["issued_on"] == "2026-05-01"


def test_only_the_month_to_close_next_is_previewed(april):
    with pytest.raises(Conflict, match="close April 2026 first"):
        preview(april, MAY, datetime(2026, 6, 3, 9, tzinfo=UTC))
    close(april, APRIL)
    with pytest.raises(Conflict, match="is closed already"):
        preview(april)


def test_whoever_may_not_issue_may_not_preview(april):
    with pytest.raises(Forbidden):
        preview_month(actor=april.actors[Role.VIEWER], month=APRIL)


def test_the_checklist_names_units_served_and_not_billed_and_billed_and_not_served(april):
    # The second unit's days are billed and nobody serves it; the third is served before it hangs anywhere.
    april.upload(
        april.installed(april.units[1], on(4, 2), station=1), april.exchanged(april.units[2], on(4, 9))
    )
    preview(april)

    with april.reading():
        found = {check.kind: check for check in checking.checklist(APRIL)}

    assert found["served_not_billed"].sentence == (
        "1 unit was served in April 2026, and nothing is billed for that."
    )
    assert [row.unit for row in found["served_not_billed"].rows] == [april.units[2].code]
    assert [row.unit for row in found["billed_not_served"].rows] == [april.units[1].code]
    assert not found["billed_not_served"].stops


def test_the_checklist_names_events_that_a_close_held(april):
    april.upload(april.exchanged(april.units[2], on(4, 9)))
    close(april, APRIL)

    with april.reading():
        held = [check for check in checking.checklist(MAY) if check.kind == "events_held"]

    assert [(check.count, check.stops) for check in held] == [(1, True)]
    assert held[0].sentence.startswith("1 event held: the unit hung nowhere then")


def test_the_api_makes_lists_and_checks(april):
    books = signed_in(april, Role.BOOKKEEPER)
    with clock.playing(LATER):
        first = made(books.send("month-previews", {"month": "2026-04-01"}))

    assert books.read("month-previews", month="2026-04-01").json()["results"] == [first]
    assert books.read("month-previews", month="2026-05-01").json()["results"] == []
    assert refused(books.read("month-checklist", month="2026-04-15"), 400) == ["/month"]
    assert books.read("month-checklist", month="2026-04-01").json()["month"] == "2026-04-01"
    assert signed_in(april, Role.VIEWER).send("month-previews", {"month": "2026-04-01"}).status_code == 403


def test_the_close_after_a_preview_draws_the_first_number(april):
    preview(april)
    with clock.playing(LATER):
        closing.close_month(actor=april.actors[Role.BOOKKEEPER], month=APRIL)

    with april.reading():
        assert [(d.number, d.net) for d in documents.invoices()] == [("INV-000001", Decimal("87.50"))]
