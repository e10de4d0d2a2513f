"""``make pictures``: walks a served demo as each role and keeps what it saw in docs/pictures, for README and docs/walk.md."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from demo_tenant.telling import PASSWORD
from tests.browser.conftest import ARGUMENTS, CHROMIUM, SIZES

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "pictures"
COLOURS = 64
TALLEST = {"desk": 1_500, "phone": 1_700}


@dataclass(frozen=True, slots=True)
class Picture:
    """One page as somebody sees it: ``go`` leads there from where they begin."""

    name: str
    who: str
    kind: str
    go: Callable[[Page], Any]


def at(path: str) -> Callable[[Page], Any]:
    """Straight to a page of the operator."""

    def go(page: Page) -> None:
        page.goto(
            page.url.split("/", 3)[0]
            + "//"
            + page.url.split("/")[2]
            + "/"
            + page.url.split("/")[3]
            + "/"
            + path
        )

    return go


def follow(*names: str) -> Callable[[Page], Any]:
    """By the first link of each of these CSS selectors in turn."""

    def go(page: Page) -> None:
        for name in names:
            page.locator(name).first.click()
            page.wait_for_load_state()

    return go


def both(*steps: Callable[[Page], Any]) -> Callable[[Page], Any]:
    def go(page: Page) -> None:
        for step in steps:
            step(page)

    return go


DISPATCHER, OWNER, CREW, BOOKKEEPER = "dispatcher", "owner", "crew1", "bookkeeper"
WORST = "tbody tr[data-site] .place a"
PICTURES = (
    Picture("lookout", DISPATCHER, "desk", at("")),
    Picture("lookout-phone", DISPATCHER, "phone", at("")),
    Picture("site", DISPATCHER, "desk", both(at(""), follow(WORST))),
    Picture("unit", DISPATCHER, "desk", both(at(""), follow(WORST, "main a[href*='/units/']"))),
    Picture("rounds", DISPATCHER, "desk", at("rounds/")),
    Picture("round-phone", CREW, "phone", both(at("rounds/"), follow("main a[href*='/rounds/']"))),
    Picture("month-sheet", OWNER, "desk", at("months/")),
    Picture("money", BOOKKEEPER, "desk", at("money/")),
    Picture("search", DISPATCHER, "desk", at("search?for=school")),
    Picture("set-up", OWNER, "desk", at("set-up/")),
)


def main(arguments: list[str]) -> int:
    base, slug = arguments[0].rstrip("/"), arguments[1]
    record = arguments[2:3]
    FOLDER.mkdir(exist_ok=True)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        for picture in PICTURES:
            page = browser.new_context(**SIZES[picture.kind], locale="en-GB").new_page()
            _sign_in(page, base, f"{picture.who}@{slug}.example")
            picture.go(page)
            _keep(page, picture.name, picture.kind)
        for token in record:
            page = browser.new_context(**SIZES["phone"], locale="en-GB").new_page()
            page.goto(f"{base}/r/{token}")
            _keep(page, "service-record-phone", "phone")
        browser.close()
    return 0


def _sign_in(page: Page, base: str, email: str) -> None:
    page.goto(f"{base}/sign-in/")
    page.locator("#email").fill(email)
    page.locator("#password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/*-*/**")


def _keep(page: Page, name: str, kind: str) -> None:
    """The page down to a height that a reader takes in, in few colours: pages have few, and the files stay small."""
    page.wait_for_load_state("networkidle")
    height = min(TALLEST[kind], page.evaluate("document.documentElement.scrollHeight"))
    width = SIZES[kind]["viewport"]["width"]
    page.set_viewport_size({"width": width, "height": height})
    taken = Image.open(io.BytesIO(page.screenshot()))
    taken.convert("RGB").quantize(COLOURS).save(FOLDER / f"{name}.png", optimize=True)
    print(f"docs/pictures/{name}.png  {page.title()}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
