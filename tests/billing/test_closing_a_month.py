"""Closing a month: what goes on whose invoice, what waits, and what is refused."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from decimal import Decimal
from uuid import UUID

import pytest
from django.db import ProgrammingError, connection, connections, transaction

from accounts import clock, tenancy
from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.ids import uuid7
from billing import commands, projections, queries
from billing.models import Charge, Invoice, InvoiceLine
from billing.rules.documents import digest
from tests.billing.books import (
    APRIL,
    JUNE,
    MAY,
    charged,
    close,
    invoice_lines,
    list_prices,
    numbers,
    on,
    total,
)
from tests.cast import new_cast


def test_a_month_becomes_one_invoice_a_customer(north):
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)),
        north.installed(north.units[1], on(4, 21), station=1),
        north.event("wick.changed", north.unit, on(4, 14), reason="age"),
    )
    close(north, APRIL)
    assert numbers(north) == ["INV-000001"]
    assert sorted(invoice_lines(north, "INV-000001")) == [
        ("regular", "install", "2026-04-01", "1.0", "45.0000"),
        ("regular", "install", "2026-04-21", "1.0", "45.0000"),
        ("regular", "month", "2026-04-01", "30.0", "30.0000"),
        ("regular", "month", "2026-04-21", "10.0", "10.0000"),
        ("regular", "wick", "2026-04-14", "1.0", "12.5000"),
    ]
    assert total(north) == Decimal("142.50")
    assert projections.check(north.operator.id) == []


def test_the_document_says_what_was_billed_and_that_tax_is_not_in_it(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 21)))
    close(north, APRIL)
    with north.reading():
        invoice = queries.get_invoice("INV-000001")
    document = invoice.document
    assert document["period"] == {"start": "2026-04-01", "end_exclusive": "2026-05-01"}
    assert (document["total"], document["currency"]) == ("55.00", "EUR")
    assert [line["amount"] for line in document["lines"]] == ["10.00", "45.00"]
    assert document["rounding"] == "half-away-from-zero/line/1"
    assert "tax is not included" in document["note"]
    assert digest(document) == invoice.document_sha256


def test_a_month_is_refused_before_its_end_in_the_operators_zone(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    with pytest.raises(BadInput, match="from Fri 1 May 2026 on"):
        close(north, APRIL, on(4, 30, 21))
    close(north, APRIL, on(4, 30, 22))  # midnight in Berlin
    assert numbers(north) == ["INV-000001"]


def test_a_month_closes_once_and_in_order(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    with pytest.raises(Conflict, match="close April 2026 first"):
        close(north, MAY)
    close(north, APRIL)
    with pytest.raises(Conflict, match="closed already"):
        close(north, APRIL)
    with pytest.raises(BadInput, match="first day"):
        close(north, date(2026, 5, 2))
    close(north, MAY)
    assert numbers(north) == ["INV-000001", "INV-000002"]


def test_without_prices_nothing_is_closed(north):
    north.upload(north.installed(at=on(4, 1)))
    with pytest.raises(Conflict, match="no prices"):
        close(north, APRIL)


def test_only_those_who_issue_invoices_close_a_month(north):
    list_prices(north)
    with pytest.raises(Forbidden):
        commands.close_month(actor=north.dispatcher, month=APRIL)
    with pytest.raises(Forbidden):
        commands.set_price(actor=north.dispatcher, item_code="wick", amount=Decimal(1), effective_from=MAY)


def test_two_who_close_at_once_make_one_invoice(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    clock.set_to(on(5, 3))

    def attempt(_):
        try:
            commands.close_month(actor=north.owner, month=APRIL)
        except Conflict as refused:
            return refused.code
        finally:
            connections.close_all()
        return "closed"

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(attempt, range(2))) == ["closed", "conflict"]
    assert numbers(north) == ["INV-000001"]


def test_late_work_is_a_line_of_the_next_invoice_at_the_old_price(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    commands.set_price(
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
            line for line in queries.get_invoice("INV-000002").document["lines"] if line["kind"] == "late"
        )
        assert late["period"] == {"start": "2026-04-01", "end_exclusive": "2026-05-01"}
        assert [(b.number, b.kind) for b in queries.billed_on(UUID(work["id"]))] == [("INV-000002", "late")]
    assert projections.check(north.operator.id) == []


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
    assert projections.check(north.operator.id) == []


def test_work_of_the_open_month_waits_though_the_cut_has_seen_it(north):
    list_prices(north)
    early = north.event("wick.changed", north.unit, on(5, 2), reason="age")
    north.upload(north.installed(at=on(4, 1)), early)
    close(north, APRIL)
    with north.reading():
        waiting = queries.disposition_of(UUID(early["id"]))
        assert (waiting.outcome, waiting.reason) == ("held", "month_open")
        assert queries.billed_on(UUID(early["id"])) == []
    close(north, MAY)
    with north.reading():
        assert queries.disposition_of(UUID(early["id"])).outcome == "billed"
    assert projections.check(north.operator.id) == []


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
        assert [(b.number, b.kind) for b in queries.billed_on(UUID(work["id"]))] == [
            ("INV-000001", "regular"),
            ("INV-000002", "credit"),
        ]
        assert queries.disposition_of(UUID(work["id"])).outcome == "superseded"
    assert projections.check(north.operator.id) == []


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
    assert projections.check(north.operator.id) == []


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
        assert sum(c.amount for c in queries.open_charges()) == Decimal(-75)
    assert projections.check(north.operator.id) == []
    north.upload(
        north.installed(north.units[1], on(4, 1), station=1),
        north.installed(north.units[2], on(6, 1), station=2),
    )
    close(north, JUNE)
    assert numbers(north) == ["INV-000001", "INV-000002"]
    with north.reading():
        assert queries.get_invoice("INV-000002").total == Decimal(45 + 3 * 30 + 45 + 30 - 75)
        assert queries.open_charges().count() == 0
    assert projections.check(north.operator.id) == []


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
    assert projections.check(north.operator.id) == []


def test_work_with_a_clock_ahead_waits_until_it_is_replaced(north):
    list_prices(north)
    ahead = north.event("wick.changed", north.unit, on(7, 20), reason="age")
    north.upload(north.installed(at=on(4, 1)), ahead)
    close(north, APRIL)
    with north.reading():
        waiting = queries.disposition_of(UUID(ahead["id"]))
        assert (waiting.outcome, waiting.reason) == ("held", "clock_ahead")
    north.upload(north.event("wick.changed", north.unit, on(4, 20), corrects=ahead["id"], reason="age"))
    close(north, MAY)
    assert ("late", "wick", "2026-04-20", "1.0", "12.5000") in invoice_lines(north, "INV-000002")
    with north.reading():
        assert queries.disposition_of(UUID(ahead["id"])).outcome == "superseded"
    assert projections.check(north.operator.id) == []


def test_the_month_to_close_next_is_known(north):
    with north.reading():
        assert projections.next_month() is None
    list_prices(north)
    north.upload(north.installed(at=on(5, 7)))
    with north.reading():
        assert projections.next_month() == MAY
    close(north, MAY)
    with north.reading():
        assert projections.next_month() == JUNE


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
    assert projections.check(north.operator.id) == []


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
        assert sorted((c.kind, c.amount) for c in queries.open_charges()) == [
            ("credit", -10),
            ("credit", -10),
        ]
    assert projections.check(north.operator.id) == []


def test_work_outside_any_agreement_is_held_and_billed_once_there_is_one(north):
    list_prices(north)
    customers.end_agreement(
        actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 4, 11)
    )
    work = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), work)
    assert close(north, APRIL).days_without_agreement == 20
    with north.reading():
        assert queries.disposition_of(UUID(work["id"])).reason == "no_agreement"
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
    assert projections.check(north.operator.id) == []


def test_numbers_have_no_gap_and_each_document_names_the_one_before(north):
    list_prices(north)
    with tenancy.operator_scope(north.operator.id):
        commands._draw_numbers(commands._locked_series(), 3)
        transaction.set_rollback(True)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    close(north, MAY)
    with north.reading():
        first, second = queries.invoices_in_order()
    assert (first.ordinal, first.previous_sha256) == (1, "")
    assert (second.ordinal, second.previous_sha256) == (2, first.document_sha256)
    assert second.document["previous_sha256"] == first.document_sha256


@pytest.mark.parametrize("model", [Invoice, InvoiceLine, Charge])
def test_issued_rows_never_change_not_even_for_the_owner(north, model):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    table = model._meta.db_table
    for statement in (f"UPDATE {table} SET id = id", f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE"):
        with (
            pytest.raises(ProgrammingError, match="permission denied"),
            tenancy.operator_scope(north.operator.id),
        ):
            connection.cursor().execute(statement)
        with pytest.raises(ProgrammingError, match="does not change"):
            connections["migrate"].cursor().execute(statement)


def test_a_rival_operator_gets_404_for_an_invoice(north, south):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    with south.reading(), pytest.raises(NotFound):
        queries.get_invoice("INV-000001")
    with south.reading():
        assert (queries.invoices().count(), queries.closes().count(), queries.price_items().count()) == (
            0,
            0,
            0,
        )
    with north.reading():
        assert queries.get_invoice("INV-000001").customer.code == "C1"


def test_the_check_finds_a_charge_that_the_log_does_not_give(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    closed = close(north, APRIL)
    with tenancy.operator_scope(north.operator.id):
        row = Charge.objects.order_by("id").first()
        row.id, row.key, row.close = uuid7(), "0" * 64, closed
        Charge.objects.bulk_create([row])
    problems = commands.differences(north.operator.id)
    assert any("charge " + "0" * 64 in problem for problem in problems)


@pytest.mark.parametrize(
    ("currency", "price", "shown"), [("JPY", "3035", "1012"), ("KWD", "10.355", "3.452")]
)
def test_an_invoice_has_the_minor_units_of_its_currency(database, currency, price, shown):
    cast = new_cast("abroad", currency=currency)
    item = commands.NewPriceItem("month", "Unit and month", "unit_month", Decimal(price), APRIL)
    commands.add_price_items(actor=cast.owner, items=[item])
    cast.upload(cast.installed(at=on(4, 21)))
    close(cast, APRIL)
    with cast.reading():
        assert queries.get_invoice("INV-000001").document["total"] == shown
    assert projections.check(cast.operator.id) == []


@pytest.mark.parametrize("split", range(6))
def test_a_month_billed_in_two_cuts_totals_what_one_cut_gives(north, south, split):
    for cast in (north, south):
        list_prices(cast)
    for cast, held_back in ((north, 0), (south, 1)):
        events = [
            cast.installed(at=on(4, 3)),
            cast.installed(cast.units[1], on(4, 8), station=1),
            cast.event("wick.changed", cast.unit, on(4, 14), reason="age"),
            cast.event("unit.moved", cast.units[1], on(4, 20), station_id=cast.stations[2].id),
            cast.event("standstill.began", cast.site, on(4, 22), starts_on="2026-04-25", billing="half"),
            cast.event("unit.withdrawn", cast.unit, on(4, 28), reason="other"),
        ]
        late = events.pop(split) if held_back else None
        cast.upload(*events)
        close(cast, APRIL)
        cast.upload(*filter(None, [late]))
        close(cast, MAY)
    assert charged(south) == charged(north)
    assert projections.check(south.operator.id) == []
