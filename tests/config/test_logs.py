"""Log lines without the links that open customers' documents."""

from __future__ import annotations

import io
import logging
from uuid import UUID

from django.conf import settings

from accounts import origin
from accounts.permissions import Role
from config.logs import HideLinks, SayOrigin
from tests.api.callers import signed_in


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


def test_who_is_quoted_in_a_line_begins_no_other():
    assert line_of(lambda log: log.warning("Not Found: %s", "/a\r\n2026 INFO forged\x85\u2028x")) == (
        r"Not Found: /a\x0d\x0a2026 INFO forged\x85\x2028x"
    )


def test_a_line_says_where_the_work_came_from_and_who_does_it():
    record = logging.LogRecord("tests", logging.WARNING, "", 0, "Forbidden", None, None)
    request_id, actor_id, operator_id = (UUID(int=number) for number in (1, 2, 3))
    with origin.coming_from(origin.Origin(request_id, "203.0.113.7", "GET site")):
        origin.acting("member", actor_id, operator_id)
        assert SayOrigin().filter(record)

    assert record.origin == (
        f"request={request_id} from=203.0.113.7 door=GET+site by=member:{actor_id}@{operator_id}"
    )
    with origin.coming_from(origin.Origin()):
        assert SayOrigin().filter(record)
    assert record.origin == "-"


def test_a_refusal_is_logged_with_who_asked(north, caplog):
    handler = logging.Handler()
    told: list[str] = []
    handler.emit = lambda record: told.append(f"{record.getMessage()} {record.origin}")
    handler.addFilter(SayOrigin())
    logging.getLogger("wickround.requests").addHandler(handler)
    try:
        refused = signed_in(north, Role.VIEWER).send("customers", [])
    finally:
        logging.getLogger("wickround.requests").removeHandler(handler)

    assert refused.status_code == 403
    (line,) = told
    assert line.startswith("answered status=403 POST /api/v1/customers ")
    assert f" request={refused.headers['Request-Id']} from=127.0.0.1 " in line
    assert line.endswith(f"by=member:{north.actors[Role.VIEWER].id}@{north.operator.id}")


def test_other_lines_are_as_they_were():
    assert line_of(lambda log: log.info("job=%s done=%d%%", "a", 3)) == "job=a done=3%"


def test_the_products_own_handler_leaves_links_out():
    handler = settings.LOGGING["handlers"]["stderr"]

    assert [settings.LOGGING["filters"][name]["()"] for name in handler["filters"]] == [
        "config.logs.HideLinks",
        "config.logs.SayOrigin",
    ]
