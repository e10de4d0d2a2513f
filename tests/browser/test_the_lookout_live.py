"""The lookout while it is open: it stays true by itself, never moves what one points at, and is worked by single keys."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from accounts.commands import customers
from accounts.permissions import Role
from servicing.commands import planning
from tests.browser.walking import arrives_at, heading, install_all, says, sign_in
from tests.cast import NOON, Cast

pytestmark = pytest.mark.browser

POLLED_MS = 9_000  # one poll is 5 s after the other


@pytest.fixture
def looking(page: Page, address: str, north: Cast) -> Page:
    """A dispatcher who looks at a school with three dry units."""
    install_all(north)
    sign_in(page, address, north, Role.DISPATCHER)
    return page


def row_of(page: Page, code: str) -> Any:
    return page.locator(f"tr[data-site='{code}']")


def mill(cast: Cast) -> Any:
    """Another site, which needs nobody yet."""
    site = {
        "customer_id": cast.customer.id, "code": "S2", "name": "Ostrel Mill", "kind": "office", "zone": "Europe/Berlin",
    }  # fmt: skip
    return customers.add_sites(actor=cast.owner, sites=[site])[0]


def test_what_somebody_else_records_stands_there_at_the_next_poll(looking: Page, north: Cast) -> None:
    row = row_of(looking, "S1")
    assert "3 units dry or not dripping" in row.inner_text()
    row.hover()
    before = row.bounding_box()

    north.upload(north.exchanged(at=NOON - timedelta(minutes=5)))

    expect(row).to_contain_text("2 units dry or not dripping", timeout=POLLED_MS)
    after = row.bounding_box()
    assert before is not None
    assert after is not None
    assert abs(after["y"] - before["y"]) < 1


def test_a_new_row_waits_until_it_is_asked_for(looking: Page, north: Cast) -> None:
    site = mill(north)
    north.upload(north.event("report.received", site, kind="leak"))

    button = looking.get_by_role("button", name="1 new site, show")
    expect(button).to_be_visible(timeout=POLLED_MS)
    assert row_of(looking, "S2").count() == 0
    button.click()
    expect(row_of(looking, "S2")).to_contain_text("1 open report of a leak or a chemical")
    assert looking.locator("tr[data-site]").first.get_attribute("data-site") == "S2"


def test_single_keys_lead_from_row_to_row_and_act(looking: Page, address: str, north: Cast) -> None:
    planning.plan_visit(actor=north.dispatcher, site_id=north.site.id, day=NOON.date() + timedelta(days=1))
    looking.reload()
    looking.keyboard.press("?")
    expect(looking.locator("dialog.keys")).to_be_visible()
    looking.keyboard.press("Escape")
    expect(looking.locator("dialog.keys")).not_to_be_visible()
    looking.keyboard.press("j")
    expect(row_of(looking, "S1").get_by_role("link", name="Marl Quay School")).to_be_focused()
    looking.keyboard.press("n")
    looking.wait_for_url("**/write-note*")
    looking.get_by_label("Note", exact=False).first.fill("The caretaker is away until Friday.")
    looking.locator("main form button").first.click()
    expect(row_of(looking, "S1")).to_contain_text("The caretaker is away until Friday.")
    looking.keyboard.press("j")
    looking.keyboard.press("m")
    looking.wait_for_url("**/move*")
    assert "Marl Quay School" in heading(looking)
    looking.go_back()
    looking.keyboard.press("j")
    looking.keyboard.press("Enter")
    looking.wait_for_url("**/sites/S1")


def test_single_keys_can_be_switched_off(looking: Page, north: Cast) -> None:
    looking.keyboard.press("?")
    looking.get_by_label("Single keys act", exact=False).uncheck()
    looking.get_by_role("button", name="Close").click()
    looking.keyboard.press("j")
    looking.keyboard.press("Enter")
    looking.wait_for_timeout(300)
    assert "/sites/" not in looking.url
    looking.reload()
    looking.keyboard.press("j")
    looking.keyboard.press("n")
    looking.wait_for_timeout(300)
    assert "write-note" not in looking.url


def test_without_script_it_is_the_same_page_only_still(chromium: Any, address: str, north: Cast) -> None:
    install_all(north)
    context = chromium.new_context(java_script_enabled=False, locale="en-GB")
    page = context.new_page()
    sign_in(page, address, north, Role.DISPATCHER)
    assert "3 units dry or not dripping" in row_of(page, "S1").inner_text()
    page.get_by_role("link", name="Look again").click()
    arrives_at(page, "Monday 15 June 2026")
    context.close()


def test_a_visit_is_called_off_and_the_row_says_so(window: Any, address: str, north: Cast) -> None:
    page = window("phone")
    install_all(north)
    planning.plan_visit(actor=north.dispatcher, site_id=north.site.id, day=NOON.date(), crew_id=north.crew.id)
    sign_in(page, address, north, Role.DISPATCHER)
    row = row_of(page, "S1")
    row.locator("summary").click()
    row.get_by_role("link", name="Call it off").click()
    page.wait_for_url("**/call-off*")
    page.locator("main [name=reason]").first.select_option("customer")
    page.get_by_role("button", name="Call", exact=False).click()
    page.wait_for_url("**/#site-S1")
    page.goto(f"{address}/{north.operator.slug}/sites/S1")
    says(page, "called off")
