"""Looking back by the keyboard alone, on a phone's width and at a desk."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from accounts import clock
from accounts.permissions import Role
from tests.browser.walking import fits, sign_in
from tests.cast import Cast

pytestmark = pytest.mark.browser


def recorded(cast: Cast, at: datetime, *events: Any) -> None:
    with clock.playing(at):
        cast.upload(*events)


@pytest.mark.parametrize("kind", ["narrow", "desk"])
def test_what_was_true_is_asked_and_read_by_the_keyboard(
    window: Any, address: str, north: Cast, kind: str
) -> None:
    page = window(kind, locale="en-US")
    at = datetime(2026, 5, 10, 9, tzinfo=UTC)
    recorded(north, datetime(2026, 4, 2, 9, tzinfo=UTC), north.installed(at=datetime(2026, 4, 2, tzinfo=UTC)))
    fault = north.event("fault.found", north.unit, at, mode="PLU", detection="visit_check")
    recorded(north, datetime(2026, 6, 1, 9, tzinfo=UTC), fault)
    sign_in(page, address, north, Role.DISPATCHER)
    page.goto(f"{address}/{north.operator.slug}/units/{north.unit.code}")

    page.locator("#looking-back summary").press("Enter")
    for name in ("true_on", "known_on"):
        assert page.locator(f"label[for=id_{name}]").is_visible()
        field = page.locator(f"[name={name}]")
        field.focus()
        page.keyboard.type("05202026")  # as typed into a date's parts in the browser's own language
        assert field.input_value() == "2026-05-20"
    page.locator("[name=known_on]").press("Enter")

    page.wait_for_url("**#looking-back")
    told = page.locator("#looking-back").inner_text()
    assert "On Wed 20 May, as we knew it on Wed 20 May" in told
    assert "Its state was down; we had up." in told
    assert "Fault found: outlet plugged." in told
    assert fits(page)
