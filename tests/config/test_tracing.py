"""Traces: what a span holds, what it never holds, and that nothing is traced where nobody collects.

Read by OpenTelemetry's own in-memory exporter; the attributes' names are those of its semantic conventions, whose Python
package names them.
"""

from __future__ import annotations

import sys
from uuid import uuid4

import pytest
from django.test import RequestFactory
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.semconv.attributes import db_attributes, error_attributes, http_attributes, url_attributes
from opentelemetry.trace import SpanKind, StatusCode
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

from accounts.permissions import Role
from config import tracing, working
from config.celery import app
from tests.pages.visitors import signed_in

app.loader.import_default_modules()


@pytest.fixture
def spans(monkeypatch):
    exporter = InMemorySpanExporter()
    monkeypatch.setattr(tracing.Tracing, "tracer", None)
    tracing.use(SimpleSpanProcessor(exporter), "tests")
    return exporter


def told(exporter, kind):
    return [one for one in exporter.get_finished_spans() if one.kind is kind]


def test_a_request_is_a_span_with_its_statements_below_it(north, spans):
    visitor = signed_in(north, Role.DISPATCHER)
    spans.clear()

    answer = visitor.get(f"/{north.operator.slug}/sites/?for=Somebody")

    (request,) = told(spans, SpanKind.SERVER)
    assert request.name == "GET sites"
    said = dict(request.attributes)
    assert said[http_attributes.HTTP_REQUEST_METHOD] == "GET"
    assert said[http_attributes.HTTP_ROUTE] == "<slug:slug>/sites/"
    assert said[http_attributes.HTTP_RESPONSE_STATUS_CODE] == 200
    assert said[url_attributes.URL_SCHEME] == "https"
    assert said["wickround.operator_id"] == str(north.operator.id)
    assert said["wickround.request_id"] == answer.headers["Request-Id"]
    assert request.resource.attributes["service.name"] == "wickround-tests"
    statements = told(spans, SpanKind.CLIENT)
    assert len(statements) > 3
    assert {one.context.trace_id for one in statements} == {request.context.trace_id}
    assert {one.attributes[db_attributes.DB_SYSTEM_NAME] for one in statements} == {"postgresql"}
    assert "SELECT" in {one.attributes[db_attributes.DB_OPERATION_NAME] for one in statements}


def test_nobodys_values_are_in_a_span(north, spans):
    visitor = signed_in(north, Role.DISPATCHER)
    spans.clear()

    visitor.get(f"/{north.operator.slug}/sites/?for=Somebody")
    visitor.get("/shared/AbCdEfGhIjKlMnOpQrStUv")

    written = "\n".join(one.to_json() for one in spans.get_finished_spans())
    assert written.count("db.query.text") > 3
    for value in (
        "Somebody",
        "AbCdEfGhIjKlMnOpQrStUv",
        north.operator.slug,
        str(north.actors[Role.DISPATCHER].id),
    ):
        assert value not in written


def test_a_statement_goes_without_what_stood_in_it():
    sql = "SELECT  'it''s a name', 12.50, col1\n FROM t WHERE a = %s AND b IN (1, 2)"

    assert tracing.without_values(sql) == "SELECT ?, ?, col1 FROM t WHERE a = %s AND b IN (?, ?)"


def test_a_task_is_linked_with_what_sent_it_and_names_its_job(north, spans):
    job_id = str(uuid4())
    headers: dict[str, str] = {}
    with tracing.of_task("accounts.tasks.relay", {}) as relay:
        working._carry(headers=headers)
        sent_by = relay.trace_id

    app.tasks["servicing.tasks.sweep"].apply(args=[str(north.operator.id), job_id], headers=headers)

    # W3C Trace Context, section 3.2: version, trace id, parent id, flags.
    assert headers["traceparent"].split("-")[1] == sent_by
    sweep = next(one for one in told(spans, SpanKind.CONSUMER) if one.name == "servicing.tasks.sweep")
    assert sweep.attributes["wickround.job_id"] == job_id
    assert sweep.attributes["wickround.operator_id"] == str(north.operator.id)
    assert sweep.attributes["wickround.outcome"] == "done"


def test_the_header_of_a_message_makes_a_link(spans):
    headers = {
        "traceparent": "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
    }  # that section's example
    with tracing.of_task("some.task", headers):
        pass

    (span,) = told(spans, SpanKind.CONSUMER)
    (link,) = span.links
    assert f"{link.context.trace_id:032x}" == "4bf92f3577b34da6a3ce929d0e0e4736"
    assert span.parent is None
    assert TraceContextTextMapPropagator().fields == {"traceparent", "tracestate"}


def test_a_task_that_falls_over_is_an_error_without_its_words(database, spans, monkeypatch):
    task = app.tasks["accounts.tasks.forget_done"]

    def fall_over():
        raise ValueError("of Somebody")

    monkeypatch.setattr(task, "run", fall_over)

    task.apply()

    span = next(one for one in told(spans, SpanKind.CONSUMER) if one.name == task.name)
    assert (span.status.status_code, span.attributes[error_attributes.ERROR_TYPE]) == (
        StatusCode.ERROR,
        "failed",
    )
    assert "Somebody" not in span.to_json()


def test_a_statement_that_fails_says_which_kind_of_fault_it_was_and_no_more(database, spans):
    from django.db import DataError, connection

    request = RequestFactory().get("/")
    with tracing.of_request(request), pytest.raises(DataError), connection.cursor() as cursor:
        cursor.execute("SELECT %s::int", ["Somebody"])

    (statement,) = told(spans, SpanKind.CLIENT)
    assert (statement.status.status_code, statement.attributes[error_attributes.ERROR_TYPE]) == (
        StatusCode.ERROR,
        "DataError",
    )
    assert "Somebody" not in "".join(one.to_json() for one in spans.get_finished_spans())


def test_nothing_is_traced_without_a_collector_or_its_packages(monkeypatch, caplog):
    monkeypatch.setattr(tracing.Tracing, "tracer", None)
    for name in tracing.ENDPOINT:
        monkeypatch.delenv(name, raising=False)
    assert not tracing.start("web")
    with tracing.of_task("some.task", {}) as span:
        span.ended("done")
    assert span.trace_id == ""

    monkeypatch.setenv(tracing.ENDPOINT[0], "http://127.0.0.1:4318")
    # As where config/tracing.lock is not installed: an import of None fails (the import system's own rule).
    monkeypatch.setitem(sys.modules, "opentelemetry.exporter.otlp.proto.http.trace_exporter", None)
    assert not tracing.start("web")
    assert "config/tracing.lock" in caplog.text
