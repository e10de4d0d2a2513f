"""A report with somebody's words, taken down, found by its name and erased, in a real browser at a phone's width."""

from __future__ import annotations

from typing import Any

import pytest

from accounts.permissions import Role
from tests.browser.walking import arrives_at, fits, main, says, sign_in
from tests.cast import Cast

pytestmark = pytest.mark.browser

WHO, SAID = "Quenby Vantongeren", "It smells beside the lift, every morning before the doors open."


def test_an_owner_takes_down_words_and_erases_them(phone: Any, address: str, north: Cast) -> None:
    sign_in(phone, address, north, Role.OWNER)
    phone.goto(f"{address}/{north.operator.slug}/sites/S1")
    phone.get_by_text("Take down a report from the site").click()
    assert fits(phone)
    phone.locator("[name=who]").fill(WHO)
    phone.locator("[name=said]").fill(SAID)
    phone.get_by_role("button", name="Record the report").click()
    says(phone, f"{WHO} said: “{SAID}”")

    phone.goto(f"{address}/{north.operator.slug}/set-up/people-named")
    phone.locator("main [name=name]").fill("quenby")
    phone.get_by_role("button", name="Find").click()
    says(phone, WHO)
    assert "quenby" not in phone.url
    assert fits(phone)
    phone.get_by_role("link", name=WHO).click()
    arrives_at(phone, WHO)
    assert fits(phone)
    phone.get_by_role("button", name="Erase what this person said").click()
    arrives_at(phone, "was erased on Mon 15 Jun")
    assert fits(phone)
    phone.goto(f"{address}/{north.operator.slug}/sites/S1")
    assert "What was said was erased on Mon 15 Jun." in main(phone)
