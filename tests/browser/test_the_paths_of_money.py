"""What owner and bookkeeper do with money, in a real browser, on a phone and by the keyboard."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from accounts.permissions import Role
from billing.queries import closes, settling
from tests.browser.walking import arrives_at, fits, go_to, heading, says, sign_in
from tests.browser.whole_world import sold
from tests.cast import Cast

pytestmark = pytest.mark.browser


@pytest.fixture
def books(north: Cast) -> Cast:
    return sold(north)


def first_invoice(cast: Cast) -> tuple[str, str]:
    """The number of an invoice, and the id of a charge on it."""
    with cast.reading():
        return settling.open_debts()[0].number, str(closes.charges()[0].id)


def test_no_page_of_money_scrolls_sideways_on_a_phone(window: Any, address: str, books: Cast) -> None:
    number, charge = first_invoice(books)
    page = window("narrow")
    sign_in(page, address, books, Role.OWNER)
    paths = [
        "", "month", "documents/", f"documents/{number}", f"documents/{number}/credit", f"charges/{charge}",
        "customers/", "customers/C1", "customers/C1/payment", "customers/C1/billing",
        "contracts/", "contracts/K-1", "contracts/K-1/terms", "contracts/K-1/sites", "contracts/K-1/notice",
        "new-contract?customer=C1", "prices/", "prices/month", "new-price-item", "issuers/", "issuers/DE", "new-issuer",
    ]  # fmt: skip
    wide = []
    for path in paths:
        page.goto(f"{address}/{books.operator.slug}/money/{path}")
        assert heading(page), path
        wide += [] if fits(page) else [path]
    assert wide == []


def test_a_line_leads_on_a_phone_to_why_and_to_the_event(phone: Any, address: str, books: Cast) -> None:
    number, _ = first_invoice(books)
    sign_in(phone, address, books, Role.VIEWER)
    phone.goto(f"{address}/{books.operator.slug}/money/documents/{number}")
    wick = phone.locator(".lines tbody tr").filter(has_text="New wick").first
    wick.get_by_role("link", name="why").click()
    arrives_at(phone, "Why New wick is charged")
    phone.get_by_role("link", name="Wick change").click()
    arrives_at(phone, books.unit.code)
    assert "#event-" in phone.url
    assert "Wick changed" in phone.locator(".timeline li:target").inner_text()


def test_a_payment_is_recorded_by_the_keyboard_alone(page: Any, address: str, books: Cast) -> None:
    number, _ = first_invoice(books)
    sign_in(page, address, books, Role.BOOKKEEPER)
    page.goto(f"{address}/{books.operator.slug}/money/customers/C1")
    go_to(page, "Record a payment")
    page.keyboard.press("Enter")
    arrives_at(page, "A payment of Quay Schools")
    while page.evaluate("document.activeElement.name") != "amount":
        page.keyboard.press("Tab")
    page.meant.add(" 422 ")
    page.keyboard.type("5,00")
    page.keyboard.press("Enter")
    says(page, "Enter an amount, such as 12.50")
    field = page.locator("[name=amount]")
    assert field.get_attribute("aria-invalid") == "true"
    assert field.input_value() == "5,00"
    field.press("Control+a")
    page.keyboard.type("5.00")
    page.keyboard.press("Enter")
    says(page, "The payment is recorded.")
    with books.reading():
        debt = settling.standings(numbers=[number])[0]
    assert debt.settled == Decimal("5.00")
