"""What people do, in a real browser: find the worst site, record a visit there, see it on the unit's page."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from accounts.permissions import Role
from tests.cast import NOON, PASSWORD, Cast

pytestmark = pytest.mark.browser


def sign_in(browser: Any, address: str, cast: Cast, role: Role) -> None:
    browser.get(f"{address}/sign-in/")
    browser.find_element(By.ID, "email").send_keys(cast.users[role].email)
    browser.find_element(By.ID, "password").send_keys(PASSWORD + Keys.ENTER)
    wait_for(browser, "lookout", lambda: f"/{cast.operator.slug}/" in browser.current_url)


def wait_for(browser: Any, what: str, condition: Any) -> None:
    # The page that is asked may be just about to go.
    wait = WebDriverWait(
        browser, 20, ignored_exceptions=[NoSuchElementException, StaleElementReferenceException]
    )
    wait.until(lambda _: condition(), message=f"waited for {what}")


def heading(browser: Any) -> str:
    return browser.find_element(By.TAG_NAME, "h1").text


def install_all(cast: Cast) -> None:
    at = NOON - timedelta(days=45)
    cast.upload(*(cast.installed(unit, at, station=n) for n, unit in enumerate(cast.units)))


def test_a_dispatcher_goes_from_the_worst_site_to_a_recorded_visit(
    browser: Any, address: str, north: Cast
) -> None:
    install_all(north)
    sign_in(browser, address, north, Role.DISPATCHER)
    assert "3 units drip no more or will be dry by Thu 18 Jun" in heading(browser)
    first = browser.find_element(By.CSS_SELECTOR, "tbody tr")
    assert "Marl Quay School" in first.text
    assert "3 units dry or not dripping since Fri 5 Jun" in first.text
    first.click()
    wait_for(browser, "the site", lambda: heading(browser) == "Marl Quay School")
    browser.find_element(By.LINK_TEXT, "Record a visit here").click()
    wait_for(browser, "the form", lambda: heading(browser).startswith("Record a visit"))
    browser.find_element(By.NAME, f"{north.unit.code}-left_ml").send_keys("12")
    browser.find_element(By.XPATH, "//button[.='Record the visit']").click()
    wait_for(browser, "the site", lambda: heading(browser) == "Marl Quay School")
    assert "served" in browser.find_element(By.TAG_NAME, "main").text
    browser.get(f"{address}/u/{north.unit.code.lower()}")
    wait_for(browser, "the unit", lambda: north.unit.code in heading(browser))
    newest = browser.find_element(By.CSS_SELECTOR, ".timeline li").text
    assert "Cartridge exchanged: 280 mL with 280 mL put in; 12 mL left in the cartridge." in newest
    assert "Dispatcher, office" in newest


def test_the_keyboard_alone_leads_to_the_worst_site(browser: Any, address: str, north: Cast) -> None:
    install_all(north)
    sign_in(browser, address, north, Role.DISPATCHER)
    press(browser, Keys.TAB)
    assert browser.switch_to.active_element.text == "Skip to the content"
    press(browser, Keys.ENTER)
    wait_for(browser, "the content", lambda: browser.current_url.endswith("#content"))
    links = []
    while "Marl Quay School" not in links:
        press(browser, Keys.TAB)
        links.append(browser.switch_to.active_element.text)
        assert len(links) < 10, links
    press(browser, Keys.ENTER)
    wait_for(browser, "the site", lambda: heading(browser) == "Marl Quay School")


def press(browser: Any, key: str) -> None:
    browser.switch_to.active_element.send_keys(key)


def test_no_page_scrolls_sideways_on_a_phone(browser: Any, address: str, north: Cast) -> None:
    install_all(north)
    phone = {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    sign_in(browser, address, north, Role.OWNER)
    paths = ["", "alerts/", "sites/", "sites/S1", "sites/S1/visit", "units/", f"units/{north.unit.code}"]
    widths = {}
    lists = ["month", "documents/", "customers/", "contracts/", "prices/", "issuers/"]
    paths += ["figures/", "money/", *(f"money/{one}" for one in lists), "ahead/", "royalty/", "set-up/"]
    for path in paths:
        browser.get(f"{address}/{north.operator.slug}/{path}")
        widths[path] = browser.execute_script("return document.documentElement.scrollWidth")
    assert {path: width for path, width in widths.items() if width != 360} == {}
