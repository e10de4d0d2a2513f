"""What owner and bookkeeper do with money, in a real browser, on a phone and by the keyboard."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from accounts.permissions import Role
from billing.commands import contracts, previewing
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.terms import NewTerms
from billing.queries import closes, settling
from tests.billing.books import APRIL, MAY, close, list_prices, on
from tests.browser.test_the_main_paths import heading, press, sign_in, wait_for
from tests.cast import Cast
from tests.pages.sellers import sell_with_vat

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}


@pytest.fixture
def books(north: Cast) -> Cast:
    """April and May closed with VAT under a contract, and June looked at."""
    sell_with_vat(north)
    list_prices(north)
    contracts.add_contract(
        actor=north.actors[Role.BOOKKEEPER],
        new=NewContract(
            number="K-1",
            customer_id=north.customer.id,
            starts_on=APRIL,
            sites=[NewContractSite(north.site.id)],
            terms=NewTerms(visit_minimum=Decimal(38), install_waived=True, claw_back_months=12),
        ),
    )
    north.upload(
        north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, on(4, 14), reason="age")
    )
    close(north, APRIL)
    close(north, MAY, at=datetime(2026, 6, 3, 9, tzinfo=UTC))
    previewing.preview_month(actor=north.actors[Role.BOOKKEEPER], month=date(2026, 6, 1))
    return north


def first_invoice(cast: Cast) -> tuple[str, str]:
    """The number of an invoice, and the id of a charge on it."""
    with cast.reading():
        return settling.open_debts()[0].number, str(closes.charges()[0].id)


def test_no_page_of_money_scrolls_sideways_on_a_phone(browser: Any, address: str, books: Cast) -> None:
    number, charge = first_invoice(books)
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    sign_in(browser, address, books, Role.OWNER)
    paths = [
        "", "month", "documents/", f"documents/{number}", f"documents/{number}/credit", f"charges/{charge}",
        "customers/", "customers/C1", "customers/C1/payment", "customers/C1/billing",
        "contracts/", "contracts/K-1", "contracts/K-1/terms", "contracts/K-1/sites", "contracts/K-1/notice",
        "new-contract?customer=C1", "prices/", "prices/month", "new-price-item", "issuers/", "issuers/DE", "new-issuer",
    ]  # fmt: skip
    widths = {}
    for path in paths:
        browser.get(f"{address}/{books.operator.slug}/money/{path}")
        assert heading(browser), path
        widths[path] = browser.execute_script("return document.documentElement.scrollWidth")
    assert {path: width for path, width in widths.items() if width != 360} == {}


def test_a_line_leads_on_a_phone_to_why_and_to_the_event(browser: Any, address: str, books: Cast) -> None:
    number, _ = first_invoice(books)
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    sign_in(browser, address, books, Role.VIEWER)
    browser.get(f"{address}/{books.operator.slug}/money/documents/{number}")
    wick = next(
        row for row in browser.find_elements(By.CSS_SELECTOR, ".lines tbody tr") if "New wick" in row.text
    )
    wick.find_element(By.LINK_TEXT, "why").click()
    wait_for(browser, "why", lambda: heading(browser) == "Why New wick is charged")
    browser.find_element(By.LINK_TEXT, "Wick change").click()
    wait_for(browser, "the unit", lambda: books.unit.code in heading(browser))
    assert "#event-" in browser.current_url
    assert "Wick changed" in browser.find_element(By.CSS_SELECTOR, ".timeline li:target").text


def test_a_payment_is_recorded_by_the_keyboard_alone(browser: Any, address: str, books: Cast) -> None:
    number, _ = first_invoice(books)
    sign_in(browser, address, books, Role.BOOKKEEPER)
    browser.get(f"{address}/{books.operator.slug}/money/customers/C1")
    go_to(browser, "Record a payment")
    press(browser, Keys.ENTER)
    wait_for(browser, "the form", lambda: heading(browser) == "A payment of Quay Schools")
    while browser.switch_to.active_element.get_attribute("name") != "amount":
        press(browser, Keys.TAB)
    browser.switch_to.active_element.send_keys("5,00" + Keys.ENTER)
    wait_for(browser, "what is wrong", lambda: "Enter an amount, such as 12.50" in main(browser))
    # The console tells of every refusal; this one was meant, and reading it takes it off.
    assert [" 422 " in one["message"] for one in browser.get_log("browser")] == [True]
    field = browser.find_element(By.NAME, "amount")
    assert field.get_attribute("aria-invalid") == "true"
    assert field.get_attribute("value") == "5,00"
    field.send_keys(Keys.CONTROL + "a")
    field.send_keys("5.00" + Keys.ENTER)
    wait_for(browser, "the account", lambda: "The payment is recorded." in main(browser))
    with books.reading():
        debt = settling.standings(numbers=[number])[0]
    assert debt.settled == Decimal("5.00")


def main(browser: Any) -> str:
    return browser.find_element(By.TAG_NAME, "main").text


def go_to(browser: Any, word: str) -> None:
    """Tab on until the link or button of this word has the focus."""
    passed = []
    while browser.switch_to.active_element.text != word:
        press(browser, Keys.TAB)
        passed.append(browser.switch_to.active_element.text)
        assert len(passed) < 40, passed
