"""A report with somebody's words, taken down, found by its name and erased, in a real browser at a phone's width."""

from __future__ import annotations

from typing import Any

import pytest
from selenium.webdriver.common.by import By

from accounts.permissions import Role
from tests.browser.test_the_main_paths import heading, sign_in, wait_for
from tests.cast import Cast

pytestmark = pytest.mark.browser

WHO, SAID = "Quenby Vantongeren", "It smells beside the lift, every morning before the doors open."


def main(browser: Any) -> str:
    return browser.find_element(By.TAG_NAME, "main").text


def fits(browser: Any) -> bool:
    return browser.execute_script(
        "return document.documentElement.scrollWidth <= document.documentElement.clientWidth"
    )


def test_an_owner_takes_down_words_and_erases_them(browser: Any, address: str, north: Cast) -> None:
    browser.set_window_size(390, 844)
    sign_in(browser, address, north, Role.OWNER)
    browser.get(f"{address}/{north.operator.slug}/sites/S1")
    browser.find_element(By.XPATH, "//summary[.='Take down a report from the site']").click()
    assert fits(browser)
    browser.find_element(By.NAME, "who").send_keys(WHO)
    browser.find_element(By.NAME, "said").send_keys(SAID)
    browser.find_element(By.XPATH, "//button[.='Record the report']").click()
    wait_for(browser, "the words", lambda: f"{WHO} said: “{SAID}”" in main(browser))

    browser.get(f"{address}/{north.operator.slug}/set-up/people-named")
    browser.find_element(By.NAME, "name").send_keys("quenby")
    browser.find_element(By.XPATH, "//button[.='Find']").click()
    wait_for(browser, "the name", lambda: WHO in main(browser))
    assert "quenby" not in browser.current_url
    assert fits(browser)
    browser.find_element(By.LINK_TEXT, WHO).click()
    wait_for(browser, "the person", lambda: heading(browser) == WHO)
    assert fits(browser)
    browser.find_element(By.XPATH, "//button[.='Erase what this person said']").click()
    wait_for(browser, "the erasure", lambda: "was erased on Mon 15 Jun" in heading(browser))
    assert fits(browser)
    browser.get(f"{address}/{north.operator.slug}/sites/S1")
    assert "What was said was erased on Mon 15 Jun." in main(browser)
