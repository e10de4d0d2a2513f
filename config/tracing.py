"""Traces for whoever collects them (OpenTelemetry): each request and task, and the statements each asks the database.

Only where ``OTEL_EXPORTER_OTLP_ENDPOINT`` names a collector and the packages of config/tracing.lock are installed; else
nothing of it is imported and nothing costs anything. No value of anybody's leaves by it: statements go without their
values, addresses by their pattern. The attributes' names are those of OpenTelemetry's semantic conventions.
"""

from __future__ import annotations

import logging
import os
import re
from collections.abc import Callable, Iterator, Mapping, MutableMapping
from contextlib import ExitStack, contextmanager
from typing import Any

from django.db import connections
from django.http import HttpRequest

from accounts import origin

log = logging.getLogger(__name__)

ENDPOINT = ("OTEL_EXPORTER_OTLP_ENDPOINT", "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT")
ALIASES = ("default", "system")
_VALUES = re.compile(r"'(?:[^']|'')*'|\b\d+(?:\.\d+)?\b")
_MOST_SQL = 2_000
# The words of a fault may quote somebody; the line of the log has them.
_WORDLESS = {"record_exception": False, "set_status_on_exception": False}


class Tracing:
    """The tracer of this process; None while nobody collects."""

    tracer: Any = None


class Span:
    """Of a request or task; without a tracer it takes what it is told and keeps nothing."""

    def __init__(self, span: Any = None) -> None:
        self._span = span

    @property
    def trace_id(self) -> str:
        """In hex, as collectors look it up; "" without one."""
        return f"{self._span.get_span_context().trace_id:032x}" if self._span else ""

    def answered(self, route: str, pattern: str, status: int) -> None:
        if self._span is None:
            return
        self._span.update_name(f"{self._span.attributes['http.request.method']} {route or 'none'}")
        self._span.set_attribute("http.route", pattern)
        self._span.set_attribute("http.response.status_code", status)
        self._note_origin()
        if status >= 500:  # noqa: PLR2004
            self.fail(str(status))

    def ended(self, outcome: str) -> None:
        if self._span is None:
            return
        self._span.set_attribute("wickround.outcome", outcome)
        self._note_origin()
        if outcome == "failed":
            self.fail(outcome)

    def _note_origin(self) -> None:
        now = origin.current()
        for name in ("request_id", "operator_id", "job_id", "attempt"):
            if value := getattr(now, name):
                self._span.set_attribute(f"wickround.{name}", value if name == "attempt" else str(value))

    def fail(self, kind: str) -> None:
        """Say that it went wrong, and by a word of ours how."""
        from opentelemetry.trace import StatusCode  # noqa: PLC0415

        self._span.set_attribute("error.type", kind)
        self._span.set_status(StatusCode.ERROR)


def start(part: str) -> bool:
    """Begin to trace in this process, ``part`` of the product; whether it does. To be called after any fork."""
    if not any(os.environ.get(name) for name in ENDPOINT):
        return False
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter  # noqa: PLC0415
        from opentelemetry.sdk.trace.export import BatchSpanProcessor  # noqa: PLC0415
    except ImportError:
        log.warning("tracing_not_installed: a collector is named, but config/tracing.lock is not installed")
        return False
    use(BatchSpanProcessor(OTLPSpanExporter()), part)
    return True


def use(processor: Any, part: str) -> None:
    """Trace into this processor of spans from now on."""
    from opentelemetry.sdk.resources import Resource  # noqa: PLC0415
    from opentelemetry.sdk.trace import TracerProvider  # noqa: PLC0415

    name = os.environ.get("OTEL_SERVICE_NAME", "") or f"wickround-{part}"
    provider = TracerProvider(resource=Resource.create({"service.name": name}))
    provider.add_span_processor(processor)
    Tracing.tracer = provider.get_tracer("wickround")


@contextmanager
def of_request(request: HttpRequest) -> Iterator[Span]:
    """The span of an answer; what is asked of the database inside becomes spans below it."""
    if Tracing.tracer is None:
        yield Span()
        return
    from opentelemetry.trace import SpanKind  # noqa: PLC0415

    said = {"http.request.method": request.method or "", "url.scheme": request.scheme or ""}
    with (
        Tracing.tracer.start_as_current_span(
            request.method or "", kind=SpanKind.SERVER, attributes=said, **_WORDLESS
        ) as span,
        _statements(),
    ):
        yield Span(span)


@contextmanager
def of_task(name: str, headers: Mapping[str, str]) -> Iterator[Span]:
    """The span of a task, linked with what sent its message, if that was traced."""
    if Tracing.tracer is None:
        yield Span()
        return
    from opentelemetry.trace import Link, SpanKind, get_current_span  # noqa: PLC0415
    from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator  # noqa: PLC0415

    sender = get_current_span(TraceContextTextMapPropagator().extract(dict(headers))).get_span_context()
    said = {"messaging.system": "celery", "messaging.operation.type": "process"}
    with (
        Tracing.tracer.start_as_current_span(
            name,
            kind=SpanKind.CONSUMER,
            attributes=said,
            links=[Link(sender)] if sender.is_valid else [],
            **_WORDLESS,
        ) as span,
        _statements(),
    ):
        yield Span(span)


def carry(headers: MutableMapping[str, str]) -> None:
    """Put into a message's headers what it is sent by (W3C Trace Context), if that is traced."""
    if Tracing.tracer is not None:
        from opentelemetry.trace.propagation.tracecontext import (  # noqa: PLC0415
            TraceContextTextMapPropagator,
        )

        TraceContextTextMapPropagator().inject(headers)


@contextmanager
def _statements() -> Iterator[None]:
    """Each statement of both roles as a span of its own."""
    with ExitStack() as stack:
        for alias in ALIASES:
            stack.enter_context(connections[alias].execute_wrapper(_statement))
        yield


def _statement(
    execute: Callable[..., Any],
    sql: Any,
    params: Any,
    many: bool,  # noqa: FBT001 - Django calls it so
    context: Mapping[str, Any],
) -> Any:
    from opentelemetry.trace import SpanKind  # noqa: PLC0415

    text = without_values(str(sql))
    verb = (text.split(None, 1) or ["SQL"])[0].upper()
    said = {"db.system.name": "postgresql", "db.operation.name": verb, "db.query.text": text}
    with Tracing.tracer.start_as_current_span(
        verb, kind=SpanKind.CLIENT, attributes=said, **_WORDLESS
    ) as span:
        try:
            return execute(sql, params, many, context)
        except Exception as fault:
            Span(span).fail(type(fault).__name__)
            raise


def without_values(sql: str) -> str:
    """A statement in one line, with "?" where a text or number stood in it; what is passed beside it is not in it at all."""
    return _VALUES.sub("?", " ".join(sql.split()))[:_MOST_SQL]
