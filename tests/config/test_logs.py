"""Log lines without the links that open customers' documents."""

from __future__ import annotations

import io
import logging

from django.conf import settings

from config.logs import HideLinks


def line_of(logged):
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.addFilter(HideLinks())
    logger = logging.Logger("tests.logs")  # noqa: LOG001 - one of its own, that nothing else hears
    logger.addHandler(handler)
    logged(logger)
    return out.getvalue().strip()


def test_a_link_is_left_out_of_a_line_and_the_rest_stays():
    # As Django logs an address that is not found, and as an access log writes a request.
    missing = line_of(lambda log: log.warning("Not Found: %s", "/shared/AbC-1:xYz_2/pdf"))
    access = line_of(
        lambda log: log.info(
            '%(h)s "%(r)s" %(s)s "%(f)s"',
            {
                "h": "::1",
                "r": "GET /shared/AbC:xYz HTTP/1.1",
                "s": 200,
                "f": "https://a.example/shared/AbC:xYz",
            },
        )
    )

    assert missing == "Not Found: /shared/.../pdf"
    assert access == '::1 "GET /shared/... HTTP/1.1" 200 "https://a.example/shared/..."'


def test_a_token_of_a_service_record_is_left_out_in_either_spelling():
    page = line_of(lambda log: log.warning("Not Found: %s", "/r/7K3M9Q2X37K3M9Q2X3AB/0190c7a2/2026-06.pdf"))
    scanned = line_of(lambda log: log.info("GET /R/7K3M9Q2X37K3M9Q2X3AB HTTP/1.1"))

    assert page == "Not Found: /r/.../0190c7a2/2026-06.pdf"
    assert scanned == "GET /R/... HTTP/1.1"


def test_an_invitation_is_left_out():
    assert line_of(lambda log: log.info("GET /invitation/AbC.xYz HTTP/1.1")) == "GET /invitation/... HTTP/1.1"


def test_other_lines_are_as_they_were():
    assert line_of(lambda log: log.info("job=%s done=%d%%", "a", 3)) == "job=a done=3%"


def test_the_products_own_handler_leaves_links_out():
    handler = settings.LOGGING["handlers"]["stderr"]

    assert [settings.LOGGING["filters"][name]["()"] for name in handler["filters"]] == [
        "config.logs.HideLinks"
    ]
