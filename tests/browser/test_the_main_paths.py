"""What people do, in a real browser: find the worst site, record a visit there, see it on the unit's page."""

from __future__ import annotations

from typing import Any

import pytest

from accounts.permissions import Role
from tests.browser.walking import arrives_at, fits, focused, go_to, heading, install_all, main, sign_in
from tests.cast import Cast

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("kind", ["desk", "phone"])
def test_a_dispatcher_goes_from_the_worst_site_to_a_recorded_visit(
    window: Any, address: str, north: Cast, kind: str
) -> None:
    page = window(kind)
    install_all(north)
    sign_in(page, address, north, Role.DISPATCHER)
    assert "Marl Quay School" in heading(page)
    first = page.locator("tbody tr").first
    assert "3 units dry or not dripping since Fri 5 Jun" in first.inner_text()
    first.get_by_role("link", name="Marl Quay School").click()
    arrives_at(page, "Marl Quay School")
    page.get_by_role("link", name="Record a visit here").click()
    arrives_at(page, "Record a visit")
    page.locator(f"[name='{north.unit.code}-left_ml']").fill("12")
    page.get_by_role("button", name="Record the visit").click()
    page.wait_for_url("**/sites/S1*")
    assert "served" in main(page)
    page.goto(f"{address}/u/{north.unit.code.lower()}")
    arrives_at(page, north.unit.code)
    newest = page.locator(".timeline li").first.inner_text()
    assert "Cartridge exchanged: 280 mL with 280 mL put in; 12 mL left in the cartridge." in newest
    assert "Dispatcher, office" in newest


def test_the_keyboard_alone_leads_to_the_worst_site(page: Any, address: str, north: Cast) -> None:
    install_all(north)
    sign_in(page, address, north, Role.DISPATCHER)
    page.keyboard.press("Tab")
    assert focused(page) == "Skip to the content"
    page.keyboard.press("Enter")
    page.wait_for_url("**#content")
    go_to(page, "Marl Quay School")
    page.keyboard.press("Enter")
    page.wait_for_url("**/sites/S1")
    arrives_at(page, "Marl Quay School")


def test_no_page_scrolls_sideways_on_a_phone(window: Any, address: str, north: Cast) -> None:
    page = window("narrow")
    install_all(north)
    sign_in(page, address, north, Role.OWNER)
    paths = ["", "alerts/", "sites/", "sites/S1", "sites/S1/visit", "units/", f"units/{north.unit.code}"]
    lists = ["month", "documents/", "customers/", "contracts/", "prices/", "issuers/"]
    paths += ["figures/", "money/", *(f"money/{one}" for one in lists), "ahead/", "royalty/", "set-up/"]
    wide = []
    for path in paths:
        page.goto(f"{address}/{north.operator.slug}/{path}")
        wide += [] if fits(page) else [path]
    assert wide == []
