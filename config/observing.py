"""What is told of each request and each task: one line of the log, one count, and a span for whoever collects traces."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from http import HTTPStatus
from uuid import UUID

from django.http import HttpRequest, HttpResponseBase

from accounts import origin
from accounts.errors import Refusal
from config import tracing
from config.metrics import counting

requests = logging.getLogger("wickround.requests")
tasks = logging.getLogger("wickround.tasks")

# What looks after the service asks these every few seconds: a line of each would hide the others.
PROBES = frozenset({"healthz", "readyz", "metrics"})


class Observed:
    """Around everything but where a request comes from: how long its answer took, and what it was."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        began = time.perf_counter()
        with tracing.of_request(request) as span:
            response = self.get_response(request)
            match = request.resolver_match
            route, status = (match.view_name if match else "") or "", response.status_code
            span.answered(route, match.route if match else "", status)
            seconds = time.perf_counter() - began
            counting.count_request(route=route, method=request.method or "", status=status, seconds=seconds)
            level = logging.WARNING if status >= HTTPStatus.BAD_REQUEST else logging.INFO
            if route in PROBES:
                level = logging.DEBUG
            requests.log(
                level,
                # Without what follows the question mark: there people search for names.
                "answered status=%d %s %s",
                status,
                request.method,
                request.path,
                extra={
                    "method": request.method,
                    "route": route,
                    "path": request.path,
                    "status": status,
                    "duration_ms": round(seconds * 1_000, 1),
                    "trace": span.trace_id,
                },
            )
        return response


@contextmanager
def task(name: str, message_id: str, queue: str, headers: Mapping[str, str]) -> Iterator[None]:
    """Around the body of a task: that it began, and what became of it. A refusal is an outcome, and no fault."""
    began = time.perf_counter()
    said = {"task": name, "message_id": message_id, "queue": queue}
    outcome = "failed"
    with tracing.of_task(name, headers) as span:
        tasks.debug("task_began task=%s", name, extra={**said, "trace": span.trace_id})
        try:
            yield
            outcome = "done"
        except Refusal:
            outcome = "refused"
            raise
        finally:
            seconds = time.perf_counter() - began
            span.ended(outcome)
            counting.count_task(task=name, outcome=outcome, seconds=seconds)
            tasks.log(
                logging.ERROR if outcome == "failed" else logging.INFO,
                "task_%s task=%s ms=%.1f",
                outcome,
                name,
                seconds * 1_000,
                extra={
                    **said,
                    "outcome": outcome,
                    "duration_ms": round(seconds * 1_000, 1),
                    "trace": span.trace_id,
                },
                exc_info=outcome == "failed",
            )


def of_job(name: str, args: Sequence[object]) -> origin.Origin:
    """Where the work of a task comes from: its name, and the operator and job it was sent with, if it was."""
    return origin.Origin(door=name, operator_id=_id(args, 0), job_id=_id(args, 1))


def _id(args: Sequence[object], number: int) -> UUID | None:
    try:
        return UUID(str(args[number]))
    except (IndexError, ValueError):
        return None
