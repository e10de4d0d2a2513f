"""A customer's account: what is open and how old, payments and what they settle, the statement, how it is billed."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest

from accounts.permissions import Role
from billing.commands import opening
from billing.commands.opening import NewDebt
from billing.queries import parties, settling
from tests.billing.books import APRIL, MAY, close, list_prices, on
from tests.cast import Cast
from tests.pages.sellers import sell_with_vat
from tests.pages.visitors import Visitor, signed_in, text_of


@pytest.fixture
def owing(north: Cast) -> Cast:
    """Two invoices, of 92.50 EUR with a due day of 2 June and of 30 EUR with one of 3 July; today is 15 June."""
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)),
        north.event("wick.changed", north.unit, on(4, 14), reason="age"),
        north.event("wick.changed", north.unit, on(4, 20), reason="age"),
    )
    close(north, APRIL, at=datetime(2026, 5, 3, 9, tzinfo=UTC))
    close(north, MAY, at=datetime(2026, 6, 3, 9, tzinfo=UTC))
    return north


def account_of(cast: Cast) -> str:
    return f"/{cast.operator.slug}/money/customers/C1"


def filled(visitor: Visitor, path: str, **values: Any) -> dict[str, Any]:
    """The fields of the payment form as they come, with some filled in."""
    body = visitor.get(path).content.decode()
    once = re.search(r'name="once" value="([^"]+)"', body)
    assert once is not None
    usual = {
        "once": once[1],
        "received_on": "2026-06-12",
        "currency": "EUR",
        "method": "transfer",
        "spread": "oldest",
    }
    return {**usual, **values}


def left_of(cast: Cast) -> dict[str, str]:
    with cast.reading():
        return {one.number: f"{one.left:.2f}" for one in settling.open_documents()}


def test_the_account_says_what_is_owed_and_how_old_it_is(owing: Cast) -> None:
    page = text_of(signed_in(owing, Role.VIEWER).get(account_of(owing)))
    # 30 + 45 + 2 x 12.50 in April, 30 in May; due 30 days after the issue.
    assert "Owes 130.00 EUR. 1 document is past due, the oldest, INV-000001, for 13 days." in page
    assert "not due yet 30.00 1 to 30 days 100.00" in page
    assert "INV-000001 Sun 3 May due Tue 2 Jun, past due 100.00 100.00 EUR" in page
    assert "Record a payment" not in page


def test_a_payment_settles_the_oldest_first_and_is_recorded_once(owing: Cast) -> None:
    visitor = signed_in(owing, Role.BOOKKEEPER)
    form = f"{account_of(owing)}/payment"
    values = filled(visitor, form, amount="110.00", reference="April and more")
    for _ in range(2):
        answer = visitor.submit(form, **values)
        assert answer["Location"] == f"{account_of(owing)}?done=paid"
    assert left_of(owing) == {"INV-000002": "20.00"}
    page = text_of(visitor.get(account_of(owing)))
    assert "12 Jun 2026 transfer, April and more" in page
    assert "Owes 20.00 EUR. Nothing of it is past due." in page


def test_amounts_beside_documents_settle_those_and_a_slip_is_said_there(owing: Cast) -> None:
    visitor = signed_in(owing, Role.OWNER)
    form = f"{account_of(owing)}/payment"
    with owing.reading():
        ids = {one.number: f"part-{one.id}" for one in settling.open_debts()}
    parts = {ids["INV-000001"]: "70", ids["INV-000002"]: "30.01"}
    values = filled(visitor, form, amount="120", spread="chosen", **parts)
    more = visitor.submit(form, **values)
    assert more.status_code == 409
    assert "Of INV-000002 30.00 EUR is left" in text_of(more)
    assert 'value="30.01"' in more.content.decode()
    assert left_of(owing) == {"INV-000001": "100.00", "INV-000002": "30.00"}
    right = visitor.submit(form, **{**values, ids["INV-000002"]: "20"})
    assert right.status_code == 302
    assert left_of(owing) == {"INV-000001": "30.00", "INV-000002": "10.00"}
    # 30 of the 120 settle nothing yet; later they settle what is oldest.
    page = visitor.get(account_of(owing))
    assert "30.00 EUR settles nothing yet: settle documents with it" in text_of(page)
    settle = re.search(r'href="([^"]+/customers/[^"]+/payments/[^"]+)"', page.content.decode())
    assert settle is not None
    assert visitor.submit(settle[1], spread="oldest").status_code == 302
    assert left_of(owing) == {"INV-000002": "10.00"}


def test_a_payment_from_a_documents_page_begins_with_what_is_left_of_it(owing: Cast) -> None:
    visitor = signed_in(owing, Role.BOOKKEEPER)
    form = visitor.get(f"{account_of(owing)}/payment?document=INV-000002").content.decode()
    assert form.count('value="30.00"') == 2
    assert '<option value="chosen" selected>' in form


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"amount": ""}, "Enter an amount, such as 12.50"),
        ({"amount": "-4"}, "An amount can't be negative."),
        ({"amount": "12,50"}, "Enter an amount, such as 12.50"),
        ({"received_on": "2026-02-30", "amount": "5"}, "Enter a day, such as 2026-07-01."),
        ({"method": "barter", "amount": "5"}, "Choose one of the list."),
    ],
)
def test_a_slip_of_the_pen_is_said_beside_its_field_and_records_nothing(
    owing: Cast, wrong: dict[str, str], said: str
) -> None:
    visitor = signed_in(owing, Role.BOOKKEEPER)
    form = f"{account_of(owing)}/payment"
    answer = visitor.submit(form, **filled(visitor, form, reference="kept", **wrong))
    assert answer.status_code == 422
    assert said in text_of(answer)
    assert 'value="kept"' in answer.content.decode()
    assert left_of(owing) == {"INV-000001": "100.00", "INV-000002": "30.00"}


def test_the_statement_of_a_span_carries_the_balance(owing: Cast) -> None:
    visitor = signed_in(owing, Role.BOOKKEEPER)
    form = f"{account_of(owing)}/payment"
    visitor.submit(form, **filled(visitor, form, amount="40", received_on="2026-06-10"))
    page = text_of(visitor.get(f"{account_of(owing)}?since=2026-06-01&until=2026-06-15"))
    assert "1 Jun 2026 Balance before 100.00" in page
    assert "3 Jun 2026 Invoice INV-000002: 30.00 30.00 130.00" in page
    assert "10 Jun 2026 Payment received, transfer: \N{MINUS SIGN}40.00 \N{MINUS SIGN}40.00 90.00" in page
    assert "15 Jun 2026 Balance 90.00" in page
    wrong = text_of(visitor.get(f"{account_of(owing)}?since=2026-06-01&until=2026-05-01"))
    assert "This lies before the first day. Choose a later one." in wrong
    sent = visitor.submit(f"{account_of(owing)}/statement", since="2026-06-01", until="2026-06-15")
    assert (sent.status_code, "e-mail address" in text_of(sent)) == (400, True)


def test_how_a_customer_is_billed_is_entered_and_a_wrong_number_refused(north: Cast) -> None:
    visitor = signed_in(north, Role.BOOKKEEPER)
    form = f"{account_of(north)}/billing"
    values = {"delivery": "email", "tax_treatment": "reverse_charge", "payment_days": "14", "city": "Kiel"}
    wrong = visitor.submit(form, **values)
    assert wrong.status_code == 400
    assert "Whoever owes the tax itself needs an identifier." in text_of(wrong)
    assert 'value="Kiel"' in wrong.content.decode()
    nobody = visitor.submit(form, **values, vat_id="NL123456789B01", bill_to="C9")
    assert "There is no customer here with this code." in text_of(nobody)
    assert visitor.submit(form, **values, vat_id="NL123456789B01").status_code == 302
    with north.reading():
        profile = parties.get_billing_profile(north.customer.id)
    assert (profile.vat_id, profile.payment_days, profile.city) == ("NL123456789B01", 14, "Kiel")
    assert "It pays within 14 days." in text_of(visitor.get(account_of(north)))


def test_an_order_number_is_entered_and_ended_and_a_site_gets_its_cost_centre(north: Cast) -> None:
    visitor = signed_in(north, Role.BOOKKEEPER)
    form = f"{account_of(north)}/billing"
    order = {"order-number": "PO-1", "order-starts_on": "2026-05-01", "order-limit": "500"}
    backwards = visitor.submit(f"{account_of(north)}/orders", **order, **{"order-ends_before": "2026-04-01"})
    assert backwards.status_code == 400
    assert "so its end must lie after that" in text_of(backwards)
    assert visitor.submit(f"{account_of(north)}/orders", **order).status_code == 302
    page = visitor.get(form)
    assert "PO-1 all its sites from 1 May 2026 500.00 EUR" in text_of(page)
    end = re.search(r'action="([^"]+/orders/[^"]+/end)"', page.content.decode())
    assert end is not None
    assert visitor.submit(end[1]).status_code == 302
    assert "from 1 May 2026 to 14 Jun 2026" in text_of(visitor.get(form))
    site = {"site-site": str(north.site.id), "site-cost_centre": "4711"}
    assert visitor.submit(f"{account_of(north)}/sites", **site).status_code == 302
    assert "Marl Quay School (S1): 4711" in text_of(visitor.get(form))


def test_the_overview_says_what_is_owed_what_waits_and_what_was_billed(owing: Cast) -> None:
    money = f"/{owing.operator.slug}/money/"
    page = signed_in(owing, Role.OWNER).get(money)
    told = text_of(page)
    assert "Monday 15 June 2026. 130.00 EUR is owed by one customer, 100.00 EUR of it past due." in told
    assert "May 2026 is closed; June 2026 is still running." in told
    assert "Quay Schools 30.00 100.00" in told
    assert "May 2026 30.00 0.00 30.00" in told
    assert "April 2026 100.00 0.00 100.00" in told
    assert "130.00 EUR in twelve months" in told
    assert page.content.decode().count('<rect class="bar"') == 12


def test_a_debt_in_another_currency_stands_apart(owing: Cast) -> None:
    debt = NewDebt(owing.customer.id, "CH-9", date(2026, 3, 1), Decimal(70), currency="CHF")
    opening.record_opening_debts(actor=owing.owner, debts=[debt])
    told = text_of(signed_in(owing, Role.VIEWER).get(f"/{owing.operator.slug}/money/"))
    assert (
        "70.00 CHF and 130.00 EUR is owed by one customer, 70.00 CHF and 100.00 EUR of it past due." in told
    )
    account = text_of(signed_in(owing, Role.VIEWER).get(account_of(owing)))
    assert "Owes 70.00 CHF and 130.00 EUR." in account


def test_who_may_only_read_can_record_nothing(owing: Cast) -> None:
    viewer = signed_in(owing, Role.VIEWER)
    for path in ("payment", "billing"):
        assert viewer.get(f"{account_of(owing)}/{path}").status_code == 403
    assert viewer.submit(f"{account_of(owing)}/payment", amount="5").status_code == 403
    assert viewer.submit(f"{account_of(owing)}/statement").status_code == 403


def test_a_rivals_customer_and_payment_are_out_of_reach(owing: Cast, south: Cast) -> None:
    visitor = signed_in(owing, Role.OWNER)
    form = f"{account_of(owing)}/payment"
    visitor.submit(form, **filled(visitor, form, amount="5", spread="kept"))
    with owing.reading():
        payment = settling.payments().get()
    theirs = signed_in(south, Role.OWNER)
    # South has a customer C1 of its own, and no such payment.
    mine = f"/{south.operator.slug}/money/customers/C1"
    assert "Owes nothing today." in text_of(theirs.get(mine))
    assert theirs.get(f"{mine}/payments/{payment.id}").status_code == 404
    assert visitor.get(f"{account_of(owing)}/payments/{payment.id}").status_code == 200


def test_a_customer_without_invoices_is_told_how_it_begins(north: Cast) -> None:
    sell_with_vat(north)
    page = text_of(signed_in(north, Role.OWNER).get(account_of(north)))
    assert "Owes nothing today." in page
    assert "Payments will stand here with what they settle." in page


def test_an_open_debt_is_brought_forward_under_its_own_number(north: Cast) -> None:
    visitor = signed_in(north, Role.BOOKKEEPER)
    form = f"{account_of(north)}/opening-debt"
    debt = {"number": "2025-17", "issued_on": "2025-11-03", "due_on": "2025-12-03", "currency": "EUR"}
    wrong = visitor.submit(form, **debt, amount="0")
    assert wrong.status_code == 400
    assert 'value="2025-17"' in wrong.content.decode()
    assert visitor.submit(form, **debt, amount="310")["Location"] == f"{account_of(north)}?done=debt"
    assert left_of(north) == {"2025-17": "310.00"}
    account = visitor.get(account_of(north))
    assert "1 document is past due, the oldest, 2025-17, for 194 days." in text_of(account)
    page = visitor.get(f"/{north.operator.slug}/money/documents/2025-17")
    assert "Debt brought forward 2025-17" in text_of(page)
    again = visitor.submit(form, **debt, amount="310")
    assert again.status_code == 409
    assert signed_in(north, Role.VIEWER).get(form).status_code == 403


def test_numbers_go_on_from_the_books_before_once(north: Cast) -> None:
    visitor = signed_in(north, Role.BOOKKEEPER)
    form = f"/{north.operator.slug}/money/numbers"
    assert "Enter a whole number from 2" in text_of(visitor.submit(form, kind="invoice", next_number="1"))
    assert visitor.submit(form, kind="invoice", next_number="741").status_code == 302
    assert "invoices 741" in text_of(visitor.get(form))
    again = visitor.submit(form, kind="invoice", next_number="800")
    assert again.status_code == 409
    assert "A series never goes back" in text_of(again)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    assert list(left_of(north)) == ["INV-000741"]
