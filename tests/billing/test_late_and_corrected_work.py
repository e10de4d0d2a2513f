"""What comes after its month was closed, or is undone: the next invoice makes up for it."""

from datetime import date
from decimal import Decimal
from uuid import UUID

from accounts.commands import customers
from billing.commands import prices
from billing.projections import adding
from billing.queries import closes, documents
from tests.billing.books import (
    APRIL,
    JUNE,
    MAY,
    close,
    invoice_lines,
    list_prices,
    numbers,
    on,
)


def test_late_work_is_a_line_of_the_next_invoice_at_the_old_price(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    prices.set_price(
        actor=north.owner, item_code="wick", amount=Decimal(14), effective_from=date(2026, 5, 10)
    )
    work = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(work, north.event("wick.changed", north.unit, on(5, 14), reason="slow"))
    close(north, MAY)
    assert sorted(invoice_lines(north, "INV-000002")) == [
        ("late", "wick", "2026-04-14", "1.0", "12.5000"),
        ("regular", "month", "2026-05-01", "31.0", "30.0000"),
        ("regular", "wick", "2026-05-14", "1.0", "14.0000"),
    ]
    with north.reading():
        late = next(
            line for line in documents.get_invoice("INV-000002").document["lines"] if line["kind"] == "late"
        )
        assert late["period"] == {"start": "2026-04-01", "end_exclusive": "2026-05-01"}
        assert [(b.number, b.kind) for b in documents.billed_on(UUID(work["id"]))] == [("INV-000002", "late")]
    assert adding.check(north.operator.id) == []


def test_a_unit_installed_late_is_charged_for_its_closed_months_too(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    north.upload(north.installed(north.units[1], on(4, 21), station=1))
    close(north, MAY)
    late = [line for line in invoice_lines(north, "INV-000002") if line[0] == "late"]
    assert sorted(late) == [
        ("late", "install", "2026-04-21", "1.0", "45.0000"),
        ("late", "month", "2026-04-21", "10.0", "10.0000"),
    ]
    assert adding.check(north.operator.id) == []


def test_work_of_the_open_month_waits_though_the_cut_has_seen_it(north):
    list_prices(north)
    early = north.event("wick.changed", north.unit, on(5, 2), reason="age")
    north.upload(north.installed(at=on(4, 1)), early)
    close(north, APRIL)
    with north.reading():
        waiting = closes.disposition_of(UUID(early["id"]))
        assert (waiting.outcome, waiting.reason) == ("held", "month_open")
        assert documents.billed_on(UUID(early["id"])) == []
    close(north, MAY)
    with north.reading():
        assert closes.disposition_of(UUID(early["id"])).outcome == "billed"
    assert adding.check(north.operator.id) == []


def test_countered_work_that_was_billed_is_credited(north):
    list_prices(north)
    work = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), work)
    close(north, APRIL)
    counter = north.event("event.countered", north.unit, on(5, 4), corrects=work["id"], reason="not_done")
    north.upload(counter)
    close(north, MAY)
    assert sorted(invoice_lines(north, "INV-000002")) == [
        ("credit", "wick", "2026-04-14", "-1.0", "-12.5000"),
        ("regular", "month", "2026-05-01", "31.0", "30.0000"),
    ]
    with north.reading():
        assert [(b.number, b.kind) for b in documents.billed_on(UUID(work["id"]))] == [
            ("INV-000001", "regular"),
            ("INV-000002", "credit"),
        ]
        assert closes.disposition_of(UUID(work["id"])).outcome == "superseded"
    assert adding.check(north.operator.id) == []


def test_countering_the_counter_event_bills_the_work_again(north):
    list_prices(north)
    work = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    counter = north.event("event.countered", north.unit, on(5, 4), corrects=work["id"], reason="not_done")
    north.upload(north.installed(at=on(4, 1)), work)
    close(north, APRIL)
    north.upload(counter)
    close(north, MAY)
    north.upload(
        north.event("event.countered", north.unit, on(6, 4), corrects=counter["id"], reason="wrong_entry")
    )
    close(north, JUNE)
    assert sorted(invoice_lines(north, "INV-000003")) == [
        ("late", "wick", "2026-04-14", "1.0", "12.5000"),
        ("regular", "month", "2026-06-01", "30.0", "30.0000"),
    ]
    assert adding.check(north.operator.id) == []


def test_a_customer_in_credit_gets_no_invoice_and_the_lines_wait(north):
    list_prices(north)
    first = north.installed(at=on(4, 1))
    north.upload(first)
    close(north, APRIL)
    north.upload(
        north.event("event.countered", north.unit, on(5, 4), corrects=first["id"], reason="wrong_unit")
    )
    close(north, MAY)
    assert numbers(north) == ["INV-000001"]
    with north.reading():
        assert sum(c.amount for c in closes.open_charges()) == Decimal(-75)
    assert adding.check(north.operator.id) == []
    north.upload(
        north.installed(north.units[1], on(4, 1), station=1),
        north.installed(north.units[2], on(6, 1), station=2),
    )
    close(north, JUNE)
    assert numbers(north) == ["INV-000001", "INV-000002"]
    with north.reading():
        assert documents.get_invoice("INV-000002").total == Decimal(45 + 3 * 30 + 45 + 30 - 75)
        assert closes.open_charges().count() == 0
    assert adding.check(north.operator.id) == []


def test_work_entered_on_the_wrong_unit_moves_with_its_replacement(north):
    list_prices(north)
    wrong = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), north.installed(north.units[1], on(4, 1), station=1), wrong)
    close(north, APRIL)
    right = north.event("wick.changed", north.units[1], on(4, 14), corrects=wrong["id"], reason="age")
    north.upload(right)
    close(north, MAY)
    changed = [line for line in invoice_lines(north, "INV-000002") if line[1] == "wick"]
    assert sorted(changed) == [
        ("credit", "wick", "2026-04-14", "-1.0", "-12.5000"),
        ("late", "wick", "2026-04-14", "1.0", "12.5000"),
    ]
    assert adding.check(north.operator.id) == []


def test_work_with_a_clock_ahead_waits_until_it_is_replaced(north):
    list_prices(north)
    ahead = north.event("wick.changed", north.unit, on(7, 20), reason="age")
    north.upload(north.installed(at=on(4, 1)), ahead)
    close(north, APRIL)
    with north.reading():
        waiting = closes.disposition_of(UUID(ahead["id"]))
        assert (waiting.outcome, waiting.reason) == ("held", "clock_ahead")
    north.upload(north.event("wick.changed", north.unit, on(4, 20), corrects=ahead["id"], reason="age"))
    close(north, MAY)
    assert ("late", "wick", "2026-04-20", "1.0", "12.5000") in invoice_lines(north, "INV-000002")
    with north.reading():
        assert closes.disposition_of(UUID(ahead["id"])).outcome == "superseded"
    assert adding.check(north.operator.id) == []


def test_a_standstill_told_late_credits_the_closed_month(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    north.upload(
        north.event(
            "standstill.began",
            north.site,
            on(5, 4),
            starts_on="2026-04-16",
            ends_on="2026-04-30",
            billing="none",
        )
    )
    close(north, MAY)
    assert ("credit", "month", "2026-04-01", "-15.0", "-15.0000") in invoice_lines(north, "INV-000002")
    assert adding.check(north.operator.id) == []


def test_an_agreement_ended_in_a_closed_month_credits_the_days_after_it(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)), north.installed(north.units[1], on(4, 1), station=1))
    close(north, APRIL)
    customers.end_agreement(
        actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 4, 21)
    )
    close(north, MAY)
    assert numbers(north) == ["INV-000001"]
    with north.reading():
        assert sorted((c.kind, c.amount) for c in closes.open_charges()) == [
            ("credit", -10),
            ("credit", -10),
        ]
    assert adding.check(north.operator.id) == []


def test_work_outside_any_agreement_is_held_and_billed_once_there_is_one(north):
    list_prices(north)
    customers.end_agreement(
        actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 4, 11)
    )
    work = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), work)
    assert close(north, APRIL).days_without_agreement == 20
    with north.reading():
        assert closes.disposition_of(UUID(work["id"])).reason == "no_agreement"
    customers.add_agreements(
        actor=north.dispatcher,
        agreements=[
            {
                "site_id": north.site.id,
                "number": "A2",
                "anchor_on": date(2026, 4, 11),
                "starts_on": date(2026, 4, 11),
            }
        ],
    )
    close(north, MAY)
    late = [line for line in invoice_lines(north, "INV-000002") if line[0] == "late"]
    assert sorted(late) == [
        ("late", "month", "2026-04-11", "20.0", "20.0000"),
        ("late", "wick", "2026-04-14", "1.0", "12.5000"),
    ]
    assert adding.check(north.operator.id) == []
