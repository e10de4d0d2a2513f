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

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
ARGUMENTS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)
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
    if not here or (CHROMIUM and DRIVER):
        return
    if os.environ.get("WICKROUND_REQUIRE_BROWSER") == "1":
        pytest.exit("The browser tests are required, but chromium or chromedriver is missing.", returncode=1)
    reason = "chromium or chromedriver is missing, so the browser tests do not run; install both to run them"
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


@pytest.fixture
def browser() -> Iterator[Any]:
    """A fresh Chromium at a desk; its console is read at the end, and an error there fails the test."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM or ""
    for argument in ARGUMENTS.split():
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_window_size(1280, 900)
    try:
        yield driver
        assert driver.get_log("browser") == []
    finally:
        driver.quit()
