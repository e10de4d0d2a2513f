"""``make pictures``: walks a served demo as each role and keeps what it saw in docs/pictures, for README and docs/walk.md."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import django
from PIL import Image
from playwright.sync_api import Page, sync_playwright

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from demo_tenant.telling import PASSWORD  # noqa: E402 - needs Django
from tests.browser.conftest import ARGUMENTS, CHROMIUM, SIZES  # noqa: E402

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "pictures"
COLOURS = 255
TALLEST = {"desk": 2_000, "phone": 1_700}


@dataclass(frozen=True, slots=True)
class Picture:
    """One page as somebody sees it: ``go`` leads there from where they begin."""

    name: str
    who: str
    kind: str
    go: Callable[[Page], Any]


SLUG = "quarrow-basin"
LINKED_SITE = "QB-0001"


def at(path: str) -> Callable[[Page], Any]:
    """Straight to a page of the operator."""
    return lambda page: page.goto(f"{_base(page)}/{SLUG}/{path}")


def _base(page: Page) -> str:
    return "/".join(page.url.split("/")[:3])


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


def opened_link(page: Page) -> None:
    """The service record behind the first link on the page, as the customer opens it."""
    shown = page.locator("main").inner_html().partition("/r/")[2]
    page.goto(f"{_base(page)}/r/{shown[:20]}")


DISPATCHER, OWNER, CREW, BOOKKEEPER = "dispatcher", "owner", "crew1", "bookkeeper"
NEXT_DAY = "main a[href*='?day=']:has-text('→')"
WORST = "tbody tr[data-site] .place a"
PICTURES = (
    Picture("lookout", DISPATCHER, "desk", at("")),
    Picture("lookout-phone", DISPATCHER, "phone", at("")),
    Picture("site", DISPATCHER, "desk", both(at(""), follow(WORST))),
    Picture("unit", DISPATCHER, "desk", both(at(""), follow(WORST, "main a[href*='/units/']"))),
    Picture("rounds", DISPATCHER, "desk", both(at("rounds/"), follow(NEXT_DAY))),
    Picture(
        "round-phone", CREW, "phone", both(at("rounds/"), follow(NEXT_DAY, ".place a[href*='/rounds/']"))
    ),
    Picture("month-sheet", OWNER, "desk", at("months/")),
    Picture("money", BOOKKEEPER, "desk", at("money/")),
    Picture(
        "service-record-phone",
        DISPATCHER,
        "phone",
        both(at(f"sites/{LINKED_SITE}/record-links"), opened_link),
    ),
    Picture("search", DISPATCHER, "desk", at("search?for=school")),
    Picture("set-up", OWNER, "desk", at("set-up/")),
)


def main(arguments: list[str]) -> int:
    base = arguments[0].rstrip("/")
    FOLDER.mkdir(exist_ok=True)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        for picture in PICTURES:
            page = browser.new_context(**SIZES[picture.kind], locale="en-GB").new_page()
            _sign_in(page, base, f"{picture.who}@{SLUG}.example")
            picture.go(page)
            _keep(page, picture.name, picture.kind)
            page.context.close()
        browser.close()
    return 0


def _sign_in(page: Page, base: str, email: str) -> None:
    page.goto(f"{base}/sign-in/")
    page.locator("#email").fill(email)
    page.locator("#password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/{SLUG}/**")


def _keep(page: Page, name: str, kind: str) -> None:
    """The page down to a height that a reader takes in, in few colours: pages have few, and the files stay small."""
    page.wait_for_load_state("load")
    height = min(TALLEST[kind], page.evaluate("document.documentElement.scrollHeight"))
    width = SIZES[kind]["viewport"]["width"]
    page.set_viewport_size({"width": width, "height": height})
    taken = Image.open(io.BytesIO(page.screenshot()))
    taken.convert("RGB").quantize(COLOURS, Image.Quantize.MAXCOVERAGE).save(
        FOLDER / f"{name}.png", optimize=True
    )
    print(f"docs/pictures/{name}.png  {page.title()}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
