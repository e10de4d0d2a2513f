"""Paying back, taking back what bounced and undoing what settled wrongly, on the pages of the bookkeeper."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from accounts.permissions import Role
from billing.commands.payments import NewPayment, record_payment
from billing.models import Document, Payment
from billing.queries import refunds, settling
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.books_of_account import Said, content, issue
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of


@pytest.fixture
def paid(north: Cast) -> tuple[Cast, Payment]:
    """An invoice of 87.50 EUR, paid with 112.50 on 10 June; today is 15 June."""
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, on(4, 14), reason="age")
    )
    close(north, APRIL)
    with north.reading():
        (debt,) = settling.open_debts()
    new = NewPayment(
        north.customer.id,
        date(2026, 6, 10),
        debt.left + 25,
        reference="April",
        allocations=[(debt.number, debt.left)],
    )
    return north, record_payment(actor=north.owner, payment=new)


def address(cast: Cast, payment: Payment, what: str = "") -> str:
    return f"/{cast.operator.slug}/money/payments/{payment.id}{what}"


def filled(visitor: Visitor, path: str, **values: Any) -> dict[str, Any]:
    """The fields of the form of a refund as they come, with some filled in."""
    body = visitor.get(path).content.decode()
    named = re.findall(r'name="(once|paid_on|amount)"[^>]*value="([^"]*)"', body)
    named += [(name, value) for value, name in re.findall(r'value="([^"]*)"[^>]*name="(once|amount)"', body)]
    return {"method": "transfer", **dict(named), **values}


def left_of(cast: Cast) -> dict[str, str]:
    with cast.reading():
        return {one.number: f"{one.left:.2f}" for one in settling.open_documents()}


def kept_of(cast: Cast) -> list[str]:
    with cast.reading():
        return [f"{one.left:.2f}" for one in settling.kept_money()]


def test_a_payment_tells_what_it_settles_and_what_is_kept(paid: tuple[Cast, Payment]) -> None:
    cast, payment = paid
    account = signed_in(cast, Role.VIEWER).get(f"/{cast.operator.slug}/money/customers/C1")
    assert f'href="{address(cast, payment)}"' in account.content.decode()

    page = signed_in(cast, Role.VIEWER).get(address(cast, payment))

    assert "112.50 EUR came by transfer. 25.00 EUR of it settles nothing yet and is kept." in text_of(page)
    assert "INV-000001 10 Jun 2026 87.50 EUR" in text_of(page)
    assert "Pay it back" not in text_of(page)
    assert signed_in(cast, Role.VIEWER).get(address(cast, payment, "/refund")).status_code == 403
    assert signed_in(cast, Role.DISPATCHER).get(address(cast, payment)).status_code == 403


def test_what_is_kept_is_paid_back_once_and_no_more_than_it(paid: tuple[Cast, Payment]) -> None:
    cast, payment = paid
    visitor = signed_in(cast, Role.BOOKKEEPER)
    form = address(cast, payment, "/refund")
    values = filled(visitor, form, reference="Too much")
    assert (values["amount"], values["paid_on"]) == ("25.00", "2026-06-15")

    more = visitor.submit(form, **{**values, "amount": "25.01"})
    assert more.status_code == 409
    assert "25.00 EUR is left, and 25.01 was to be paid back" in text_of(more)
    assert 'value="Too much"' in more.content.decode()
    empty = visitor.submit(form, **{**values, "amount": ""})
    assert (empty.status_code, "Enter an amount, such as 12.50" in text_of(empty)) == (422, True)
    early = visitor.submit(form, **{**values, "paid_on": "2026-06-09"})
    assert (early.status_code, "It left before it was there" in text_of(early)) == (400, True)
    assert kept_of(cast) == ["25.00"]

    for _ in range(2):
        answer = visitor.submit(form, **{**values, "amount": "20"})
        assert answer["Location"] == f"{address(cast, payment)}?done=refunded"
    assert kept_of(cast) == ["5.00"]
    page = text_of(visitor.get(answer["Location"]))
    assert "What was paid back is recorded." in page
    assert "15 Jun 2026 paid back by transfer, Too much 20.00 EUR" in page


def test_a_payment_that_bounced_is_taken_back_and_its_documents_are_open(paid: tuple[Cast, Payment]) -> None:
    cast, payment = paid
    visitor = signed_in(cast, Role.BOOKKEEPER)
    form = address(cast, payment, "/return")
    before = text_of(visitor.get(form))
    assert "112.50 EUR leaves the bank again. These are open again: INV-000001, 87.50 EUR" in before

    late = visitor.submit(form, returned_on="2026-06-16", reason="No funds")
    assert (late.status_code, "between that day and today" in text_of(late)) == (400, True)
    assert 'value="No funds"' in late.content.decode()
    assert left_of(cast) == {}
    for _ in range(2):
        answer = visitor.submit(form, returned_on="2026-06-12", reason="No funds")
        assert answer["Location"] == f"{address(cast, payment)}?done=returned"

    assert left_of(cast) == {"INV-000001": "87.50"}
    assert kept_of(cast) == []
    page = text_of(visitor.get(answer["Location"]))
    assert "The bank took it back on 12 Jun 2026." in page
    assert "undone on 12 Jun 2026" in page
    assert "taken back by the bank, No funds 112.50 EUR" in page
    assert "Pay it back" not in page
    account = text_of(visitor.get(f"/{cast.operator.slug}/money/customers/C1"))
    assert "taken back by the bank on 12 Jun 2026" in account
    assert "12 Jun 2026 Payment taken back, No funds: 112.50" in account
    document = text_of(visitor.get(f"/{cast.operator.slug}/money/documents/INV-000001"))
    assert "payment of 10 Jun 2026 by transfer April, undone" in document
    assert "Left to pay 87.50" in document


def test_what_settles_the_wrong_document_is_undone_by_a_button(paid: tuple[Cast, Payment]) -> None:
    cast, payment = paid
    visitor = signed_in(cast, Role.BOOKKEEPER)
    button = re.search(r'action="([^"]+/undo)"', visitor.get(address(cast, payment)).content.decode())
    assert button is not None
    assert signed_in(cast, Role.VIEWER).submit(button[1]).status_code == 403

    answer = visitor.submit(button[1])

    assert answer["Location"] == f"{address(cast, payment)}?done=released"
    assert left_of(cast) == {"INV-000001": "87.50"}
    assert kept_of(cast) == ["112.50"]
    again = visitor.submit(button[1])
    assert (again.status_code, "This was undone already" in text_of(again)) == (409, True)


def test_what_a_credit_note_has_left_is_paid_back_from_its_page(north: Cast) -> None:
    issue(north, content("invoice", [Said("50.00")]))
    with north.reading():
        invoice = Document.objects.get(number="INV-000001")
    note = content("credit_note", [Said("30.00")], number="CRN-000001", issued_on="2026-06-12", due_on=None)
    credit = issue(north, note, corrects=invoice)
    visitor = signed_in(north, Role.BOOKKEEPER)
    with north.reading():
        (row,) = refunds.allocations_of_credit(credit.id)
    money = f"/{north.operator.slug}/money"

    answer = visitor.submit(f"{money}/settled/{row.id}/undo")
    assert answer["Location"] == f"{money}/documents/CRN-000001?done=released"
    form = f"{money}/documents/CRN-000001/refund"
    values = filled(visitor, form, method="cash")
    assert values["amount"] == "30.00"
    paid = visitor.submit(form, **values)

    assert paid["Location"] == f"{money}/documents/CRN-000001?done=refunded"
    assert left_of(north) == {"INV-000001": "50.00"}
    with north.reading():
        (made,) = refunds.refunds()
    assert (made.amount, made.method) == (Decimal(30), "cash")
    nothing = visitor.get(form)
    assert "Nothing of it is left to pay back." in text_of(nothing)


def test_a_rivals_payment_and_settlement_are_not_there(paid: tuple[Cast, Payment], south: Cast) -> None:
    cast, payment = paid
    with cast.reading():
        (row,) = refunds.live_allocations()
    owner = signed_in(south, Role.OWNER)
    money = f"/{south.operator.slug}/money"

    for path in ("", "/refund", "/return"):
        assert owner.get(f"{money}/payments/{payment.id}{path}").status_code == 404
    assert owner.submit(f"{money}/settled/{row.id}/undo").status_code == 404
    assert owner.get(f"{money}/documents/CRN-000001/refund").status_code == 404
    assert left_of(cast) == {}
