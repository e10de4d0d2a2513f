"""Purchase orders: on which invoices they stand, what is used of them, and what waits without one."""

from datetime import date
from decimal import Decimal

import pytest

from accounts.errors import Conflict
from billing.commands import parties, previewing
from billing.commands.crediting import credit_document
from billing.queries import checking, documents, orders
from billing.rules.crediting import CreditedLine
from billing.rules.orders import Use
from tests.billing.books import APRIL, MAY, close, list_prices, numbers, on


def order(cast, number="PO-1", **values):
    row = {"customer_id": cast.customer.id, "number": number, "starts_on": APRIL, **values}
    parties.add_purchase_orders(actor=cast.owner, orders=[row])


def asks_for_orders(cast, **values):
    parties.set_profile(
        actor=cast.owner, customer_id=cast.customer.id, values={"po_required": True, **values}
    )


def worked(cast):
    """A month of 30.00 and an installation of 45.00."""
    list_prices(cast)
    cast.upload(cast.installed(at=on(4, 1)))


def uses(cast, since=APRIL, before=MAY):
    with cast.reading():
        return [(one.order.number, one.used, one.use, one.left) for one in orders.order_uses(since, before)]


def test_a_month_is_not_closed_over_work_that_lacks_the_order_its_payer_asks_for(north):
    worked(north)
    asks_for_orders(north)
    with pytest.raises(Conflict, match="purchase order"):
        close(north, APRIL)
    assert numbers(north) == []
    order(north)
    close(north, APRIL)
    with north.reading():
        invoice = documents.get_invoice("INV-000001")
    assert (invoice.po_number, invoice.document["references"]["po"]) == ("PO-1", "PO-1")


def test_an_expired_order_counts_only_for_the_days_it_was_valid(north):
    worked(north)
    asks_for_orders(north)
    order(north, ends_before=MAY)
    close(north, APRIL)
    with pytest.raises(Conflict, match="purchase order"):
        close(north, MAY)


def test_an_order_is_used_by_what_is_invoiced_and_freed_by_what_is_given_back(north):
    worked(north)
    order(north, limit=Decimal(80))
    assert uses(north) == [("PO-1", 0, Use.WITHIN, 80)]
    close(north, APRIL)
    assert uses(north) == [("PO-1", 75, Use.NEARLY_USED, 5)]
    close(north, MAY)
    assert uses(north) == [("PO-1", 105, Use.OVER, 0)]
    credit_document(actor=north.owner, number="INV-000002", reason="Agreed")
    credit_document(
        actor=north.owner, number="INV-000001", reason="Agreed", lines=[CreditedLine(1, Decimal(5))]
    )
    assert uses(north) == [("PO-1", 70, Use.WITHIN, 10)]


def test_a_preview_warns_of_an_order_that_the_month_would_use_up(north):
    worked(north)
    order(north, limit=Decimal(80))
    with north.reading():
        assert "order_spent" not in {check.kind for check in checking.checklist(APRIL)}
    previewing.preview_month(actor=north.owner, month=APRIL)
    with north.reading():
        (spent,) = [check for check in checking.checklist(APRIL) if check.kind == "order_spent"]
    assert [row.label for row in spent.rows] == ["PO-1: 5.00 EUR left"]
    assert (spent.stops, numbers(north)) == (False, [])


def test_orders_by_line_are_used_by_their_lines(north):
    worked(north)
    asks_for_orders(north, line_pos=True)
    order(north, ends_before=date(2026, 4, 10))
    order(north, "PO-2", starts_on=date(2026, 4, 10), limit=Decimal(30))
    close(north, APRIL)
    # The installation of 1 April falls under the first, the month by its last day under the second.
    assert uses(north, before=date(2026, 4, 10)) == [("PO-1", 45, Use.WITHIN, None)]
    assert uses(north, date(2026, 4, 10)) == [("PO-2", 30, Use.NEARLY_USED, 0)]
    with north.reading():
        assert documents.get_invoice("INV-000001").po_number == ""
