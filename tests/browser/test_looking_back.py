"""Looking back by the keyboard alone, on a phone's width and at a desk."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from accounts import clock
from accounts.permissions import Role
from tests.browser.test_the_main_paths import sign_in, wait_for
from tests.cast import Cast

pytestmark = pytest.mark.browser


def recorded(cast: Cast, at: datetime, *events: Any) -> None:
    with clock.playing(at):
        cast.upload(*events)


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 900)])
def test_what_was_true_is_asked_and_read_by_the_keyboard(
    browser: Any, address: str, north: Cast, width: int, height: int
) -> None:
    at = datetime(2026, 5, 10, 9, tzinfo=UTC)
    recorded(north, datetime(2026, 4, 2, 9, tzinfo=UTC), north.installed(at=datetime(2026, 4, 2, tzinfo=UTC)))
    fault = north.event("fault.found", north.unit, at, mode="PLU", detection="visit_check")
    recorded(north, datetime(2026, 6, 1, 9, tzinfo=UTC), fault)
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    sign_in(browser, address, north, Role.DISPATCHER)
    browser.get(f"{address}/{north.operator.slug}/units/{north.unit.code}")

    browser.find_element(By.CSS_SELECTOR, "#looking-back summary").send_keys(Keys.ENTER)
    for name in ("true_on", "known_on"):
        label = browser.find_element(By.CSS_SELECTOR, f"label[for=id_{name}]")
        field = browser.find_element(By.NAME, name)
        assert label.is_displayed()
        field.send_keys("05202026")  # as typed into a date's parts in the browser's own language
        assert field.get_attribute("value") == "2026-05-20"
    browser.find_element(By.NAME, "known_on").send_keys(Keys.ENTER)

    wait_for(browser, "the answer", lambda: "#looking-back" in browser.current_url)
    told = browser.find_element(By.ID, "looking-back").text
    assert "On Wed 20 May, as we knew it on Wed 20 May" in told
    assert "Its state was down; we had up." in told
    assert "Fault found: outlet plugged." in told
    # Nothing has to be scrolled sideways.
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
