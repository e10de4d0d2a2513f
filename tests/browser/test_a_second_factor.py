"""A first sign-in with a second factor, and the next one by a recovery code, at a desk and as a phone."""

from __future__ import annotations

import base64
import os
from typing import Any

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.conf import settings

from accounts import clock
from accounts.permissions import Role
from tests.browser.walking import arrives_at, fits, go_to, main, minded
from tests.cast import PASSWORD, Cast

SHOTS = os.environ.get("WICKROUND_SHOTS", "")


def code_of(key: str) -> str:
    """What an authenticator shows now that was given the key of the page."""
    secret = base64.b32decode(key.replace(" ", ""))
    return TOTP(secret, 6, SHA1(), 30).generate(int(clock.machine().timestamp())).decode()


def in_order(page: Any) -> None:
    """The page at hand has nothing to mind and fits."""
    if SHOTS:
        size = page.viewport_size["width"]
        page.screenshot(path=f"{SHOTS}/{size}-{page.url.rsplit('/', 1)[-1]}.png", full_page=True)
    assert minded(page) == []
    assert fits(page)


def type_password(page: Any, address: str, cast: Cast) -> None:
    page.goto(f"{address}/sign-in/")
    page.locator("#email").fill(cast.users[Role.OWNER].email)
    page.locator("#password").fill(PASSWORD)
    page.keyboard.press("Enter")


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_an_owner_sets_one_up_and_comes_back_by_a_recovery_code(
    window: Any, size: str, address: str, north: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = window(size)
    monkeypatch.setattr(settings, "SECOND_FACTOR_NEEDED", True)
    type_password(page, address, north)
    arrives_at(page, "Set up a second factor")
    in_order(page)
    assert page.locator("img.key").evaluate("picture => picture.complete && picture.naturalWidth") > 100
    page.locator("#id_code").fill(code_of(page.locator("code.key").inner_text()))
    page.keyboard.press("Enter")
    arrives_at(page, "Keep these recovery codes")
    in_order(page)
    codes = page.locator("#codes").input_value().split("\n")
    assert [len(code) for code in codes] == [29] * 10
    shown = page.locator("#codes").evaluate("box => box.scrollHeight <= box.clientHeight + 2")
    assert shown, "Every code is on paper when the page is printed."
    go_to(page, "I have kept them")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/{north.operator.slug}/**")
    page.goto(f"{address}/{north.operator.slug}/me/second-factor")
    arrives_at(page, "You sign in with your password and a code")
    in_order(page)
    page.goto(f"{address}/{north.operator.slug}/me/second-factor/set-up")
    in_order(page)
    page.context.clear_cookies()
    type_password(page, address, north)
    arrives_at(page, "One more step")
    in_order(page)
    assert page.evaluate("document.activeElement.id") == "id_code"
    go_to(page, "The authenticator is lost, or not with you")
    page.keyboard.press("Enter")
    in_order(page)
    page.locator("#id_recovery").fill(codes[4].lower())
    page.keyboard.press("Enter")
    arrives_at(page, "You sign in with your password and a code")
    assert "You have 9 recovery codes left." in main(page)
