"""Headless Chromium against the pages, served over plain HTTP by a thread of the test process."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from django.conf import settings
from django.test.testcases import LiveServerThread
from django.test.utils import override_settings

from config import embedded

CHROMIUM = shutil.which("chromium")
ARGUMENTS = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)
SIZES: dict[str, dict[str, Any]] = {
    "desk": {"viewport": {"width": 1280, "height": 900}},
    "phone": {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True},
    "narrow": {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True},
}
# The browser is driven from a loop of events, in whose thread the tests ask the database all the same.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "yes"

# On plain HTTP browsers refuse cookies with the host prefix, and there is no HTTPS to go to.
PLAIN_HTTP = {
    "SECURE_SSL_REDIRECT": False,
    "SESSION_COOKIE_SECURE": False,
    "CSRF_COOKIE_SECURE": False,
    "SESSION_COOKIE_NAME": "sid",
    "CSRF_COOKIE_NAME": "csrf",
}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    here = [item for item in items if "tests/browser/" in item.nodeid]
    if not here or CHROMIUM:
        return
    if os.environ.get("WICKROUND_REQUIRE_BROWSER") == "1":
        pytest.exit("The browser tests are required, but chromium is missing.", returncode=1)
    reason = "chromium is missing, so the browser tests do not run; install it to run them"
    for item in here:
        item.add_marker(pytest.mark.skip(reason=reason))


# The product serves its own files; Django's live server would look for collected ones first.
_pages_serve_their_own_files: Any = lambda handler: handler  # noqa: E731


# Of a module and no longer: the pages' other tests expect the settings of HTTPS.
@pytest.fixture(scope="module")
def address(database: embedded.Servers) -> Iterator[str]:
    with override_settings(**PLAIN_HTTP):
        server = LiveServerThread("127.0.0.1", _pages_serve_their_own_files)
        server.daemon = True
        server.start()
        server.is_ready.wait()
        if server.error:
            raise server.error
        assert settings.SESSION_COOKIE_NAME == "sid"
        yield f"http://127.0.0.1:{server.port}"
        server.terminate()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One headless Chromium a test process; each test gets a window of its own."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        yield browser
        browser.close()


@pytest.fixture
def window(chromium: Any) -> Iterator[Any]:
    """Opens windows, at a desk or as a phone: ``window("phone")``. What their consoles complained of fails the test."""
    opened: list[Window] = []

    def open_one(kind: str = "desk", **more: Any) -> Any:
        opened.append(Window(chromium, {**SIZES[kind], "locale": "en-GB", **more}))
        return opened[-1].page

    yield open_one
    for one in opened:
        one.close()
    assert [complaint for one in opened for complaint in one.complaints] == []


@pytest.fixture
def page(window: Any) -> Any:
    """A window at a desk."""
    return window("desk")


@pytest.fixture
def phone(window: Any) -> Any:
    """A window of a phone's width."""
    return window("phone")


class Window:
    """A page and everything that went wrong on it: errors in its console, its scripts, and requests to others."""

    def __init__(self, browser: Any, look: dict[str, Any]) -> None:
        self.complaints: list[str] = []
        self.context = browser.new_context(**look)
        self.page = self.context.new_page()
        # An answer of 4xx that a form meant to get is told in the console too; a test that wants one says so.
        self.page.meant = set()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.complaints.append(f"script: {error}"))
        self.page.on("request", self._request)

    def _console(self, message: Any) -> None:
        if message.type in {"error", "warning"} and not any(one in message.text for one in self.page.meant):
            self.complaints.append(f"console: {message.text}")

    def _request(self, request: Any) -> None:
        if not request.url.startswith(("http://127.0.0.1:", "data:", "blob:")):
            self.complaints.append(f"third party: {request.url}")

    def close(self) -> None:
        self.context.close()
