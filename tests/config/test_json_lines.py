"""Lines of the log as JSON: what each says, what none says, and that one entry is one line."""

from __future__ import annotations

import io
import json
import logging
import subprocess
import sys
from datetime import datetime
from logging.config import DictConfigurator
from typing import Any
from uuid import UUID, uuid4

import pytest
from django.conf import settings
from django.test import Client

from accounts import origin
from accounts.permissions import Role
from config import logs, observing
from config.celery import app
from tests.api.callers import signed_in
from tests.pages.visitors import signed_in as at_pages


class Told(logging.Handler):
    """Writes as the product's own handler does, and keeps what was written."""

    def __init__(self) -> None:
        super().__init__()
        said: dict[str, Any] = logs.configuration("json", "INFO")
        configured = DictConfigurator(said)
        self.setFormatter(configured.configure_formatter(dict(said["formatters"]["json"])))
        for name in said["handlers"]["stderr"]["filters"]:
            self.addFilter(configured.configure_filter(dict(said["filters"][name])))
        self.out = io.StringIO()

    def emit(self, record: logging.LogRecord) -> None:
        self.out.write(self.format(record) + "\n")

    @property
    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.getvalue().splitlines()]

    def of(self, logger: str) -> list[dict[str, Any]]:
        return [one for one in self.lines if one["logger"] == logger]


app.loader.import_default_modules()


@pytest.fixture
def told():
    handler = Told()
    root = logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    yield handler
    root.removeHandler(handler)
    root.setLevel(level)


def test_a_line_is_one_object_with_its_time_and_where_it_came_from(told):
    request_id, actor_id, operator_id, job_id = (uuid4() for _ in range(4))
    whence = origin.Origin(request_id, "203.0.113.7", "GET site", operator="north", job_id=job_id)
    with origin.coming_from(whence):
        origin.acting("member", actor_id, operator_id)
        origin.trying(3)
        logging.getLogger("tests.lines").warning("said %d", 7, extra={"status": 403, "duration_ms": 1.5})

    (line,) = told.lines
    assert list(line)[:4] == ["time", "level", "logger", "event"]
    assert datetime.fromisoformat(line.pop("time")).utcoffset().total_seconds() == 0
    assert line == {
        "level": "warning",
        "logger": "tests.lines",
        "event": "said 7",
        "request_id": str(request_id),
        "address": "203.0.113.7",
        "door": "GET site",
        "operator": "north",
        "operator_id": str(operator_id),
        "by": "member",
        "by_id": str(actor_id),
        "job_id": str(job_id),
        "attempt": 3,
        "status": 403,
        "duration_ms": 1.5,
    }


def test_whoever_is_quoted_begins_no_line_and_no_field(told):
    # OWASP ASVS 5.0.0, 16.4.1: what comes from outside can't forge an entry. U+2028 and NEL end lines in some readers.
    forged = 'x"}\r\n{"level":"critical"}\u2028\x85\x00\x1b[31m'
    logging.getLogger("tests.lines").error("asked %s", forged, extra={"path": forged})

    raw = told.out.getvalue()
    assert raw.isascii()
    assert raw.count("\n") == 1
    (line,) = told.lines
    assert (line["level"], line["path"]) == ("error", forged)


def test_a_fault_is_in_its_line_whole_and_without_links(told):
    try:
        raise ValueError("no page at /shared/AbC-1:xYz/pdf")  # noqa: TRY301
    except ValueError:
        logging.getLogger("tests.lines").exception("fell over")

    (line,) = told.lines
    assert line["exception"].startswith("Traceback (most recent call last):\n")
    assert line["exception"].endswith("ValueError: no page at /shared/.../pdf")
    assert "AbC-1" not in told.out.getvalue()


def test_what_libraries_hang_on_a_record_is_not_written(told):
    logging.getLogger("tests.lines").error("bad", extra={"request": "GET /?for=somebody", "status": 500})

    (line,) = told.lines
    assert "somebody" not in told.out.getvalue()
    assert line["status"] == 500


def test_each_request_is_one_line_without_its_question(north, told):
    visitor = at_pages(north, Role.DISPATCHER)
    told.out = io.StringIO()

    answer = visitor.get(f"/{north.operator.slug}/sites/?for=Somebody")

    assert answer.status_code == 200
    (line,) = told.of("wickround.requests")
    member = north.actors[Role.DISPATCHER]
    assert line["duration_ms"] > 0
    assert {name: line[name] for name in ("level", "method", "route", "path", "status")} == {
        "level": "info",
        "method": "GET",
        "route": "sites",
        "path": f"/{north.operator.slug}/sites/",
        "status": 200,
    }
    assert (line["operator"], line["operator_id"]) == (north.operator.slug, str(north.operator.id))
    assert (line["by"], line["by_id"]) == ("member", str(member.id))
    assert line["request_id"] == answer.headers["Request-Id"]
    assert "Somebody" not in told.out.getvalue()


def test_a_program_and_a_refusal_are_told_likewise(north, told):
    refused = signed_in(north, Role.VIEWER).send("customers", [])

    (line,) = told.of("wickround.requests")
    assert (line["level"], line["status"], line["door"]) == ("warning", 403, "POST api-customers")
    assert (line["request_id"], line["operator_id"]) == (
        refused.headers["Request-Id"],
        str(north.operator.id),
    )


def test_probes_are_not_told_at_the_usual_level(database, told):
    Client().get("/healthz")

    assert told.of("wickround.requests") == []


def test_a_link_is_not_in_the_line_of_its_request(database, told):
    secret = "AbCdEfGhIjKlMnOpQrStUv"
    Client().get(f"/shared/{secret}")

    (line,) = told.of("wickround.requests")
    assert (line["path"], line["event"].split()[-1]) == ("/shared/...", "/shared/...")
    assert secret not in told.out.getvalue()


def test_a_task_is_told_with_its_job_and_how_it_ended(north, told):
    job_id = UUID(int=7)

    app.tasks["servicing.tasks.sweep"].apply(args=[str(north.operator.id), str(job_id)])

    (line,) = told.of("wickround.tasks")
    assert (line["level"], line["task"], line["outcome"]) == ("info", "servicing.tasks.sweep", "done")
    assert (line["operator_id"], line["job_id"]) == (str(north.operator.id), str(job_id))
    assert line["message_id"]
    assert line["duration_ms"] > 0


def test_a_task_that_falls_over_is_told_once_with_its_fault(database, told, monkeypatch):
    task = app.tasks["accounts.tasks.forget_done"]
    monkeypatch.setattr(task, "run", lambda: 1 / 0)

    task.apply()

    (line,) = [one for one in told.lines if one["level"] == "error"]
    assert (line["logger"], line["outcome"]) == ("wickround.tasks", "failed")
    assert line["exception"].endswith("ZeroDivisionError: division by zero")


def test_a_refusal_of_a_task_is_no_fault(database, told):
    from accounts.errors import Conflict

    with pytest.raises(Conflict), observing.task("some.task", "1", "bulk", {}):
        raise Conflict("Not now.")

    (line,) = told.of("wickround.tasks")
    assert (line["level"], line["outcome"]) == ("info", "refused")


def test_the_form_is_chosen_by_the_environment_and_another_is_refused():
    assert settings.LOGGING["handlers"]["stderr"]["formatter"] == settings.LOG_FORMAT
    program = "from django.conf import settings; print(settings.LOGGING['handlers']['stderr']['formatter'])"
    for form, said in (
        ("line", "line\n"),
        ("json", "json\n"),
        ("", "json\n"),
        ("xml", "must be json or line"),
    ):
        done = subprocess.run(
            [sys.executable, "-c", program],
            env={"DJANGO_SETTINGS_MODULE": "config.settings", "WICKROUND_LOG_FORMAT": form},
            capture_output=True,
            text=True,
            check=False,
        )
        assert said in done.stdout + done.stderr
