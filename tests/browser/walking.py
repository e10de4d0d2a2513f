"""How tests walk through pages: sign in, press keys, see where the focus is, and ask axe-core what it minds."""

from __future__ import annotations

from datetime import timedelta

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from accounts.permissions import Role
from tests.cast import NOON, PASSWORD, Cast

MOST_TABS = 60


def sign_in(page: Page, address: str, cast: Cast, role: Role) -> None:
    page.goto(f"{address}/sign-in/")
    page.locator("#email").fill(cast.users[role].email)
    page.locator("#password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/{cast.operator.slug}/**")


def heading(page: Page) -> str:
    return page.locator("h1").first.inner_text()


def main(page: Page) -> str:
    return page.locator("main").inner_text()


def arrives_at(page: Page, words: str) -> None:
    """Waits until the first heading has these words."""
    expect(page.locator("h1").first).to_contain_text(words)


def says(page: Page, words: str) -> None:
    """Waits until the page has these words."""
    expect(page.locator("main")).to_contain_text(words)


def focused(page: Page) -> str:
    """What has the focus, by its words."""
    return str(
        page.evaluate("document.activeElement.innerText || document.activeElement.value || ''")
    ).strip()


def go_to(page: Page, word: str) -> None:
    """Tab on until the link or button of this word has the focus."""
    passed: list[str] = []
    while focused(page) != word:
        page.keyboard.press("Tab")
        passed.append(focused(page))
        assert len(passed) < MOST_TABS, passed


def fits(page: Page) -> bool:
    """Whether nothing has to be scrolled sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"))


def minded(page: Page) -> list[str]:
    """What axe-core minds of the page: each rule with where. WCAG 2.2 A and AA, and its good practices."""
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {node['html'][:160]}" for one in found for node in one["nodes"][:3]]


def install_all(cast: Cast) -> None:
    at = NOON - timedelta(days=45)
    cast.upload(*(cast.installed(unit, at, station=n) for n, unit in enumerate(cast.units)))
