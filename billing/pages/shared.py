"""What a customer reads by the link in a mail: without signing in, since the signature in the link is the key."""

from __future__ import annotations

from decimal import Decimal
from itertools import groupby
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from accounts import tenancy
from accounts.errors import NotFound
from accounts.languages import _
from accounts.pages import reading_in
from accounts.permissions import system_actor
from billing.commands import delivering
from billing.commands.sending import statement_days
from billing.models import Document, Sending
from billing.queries import parties, sending, settling
from billing.queries.wording import operators_manner
from billing.rules.letters import pdf


@never_cache
@require_http_methods(["GET", "HEAD"])
def shared(request: HttpRequest, token: str) -> HttpResponse:
    """The document or the statement that a mail was about. Opening it is noted once."""
    operator_id, sending_id = sending.read_token(token)
    if request.method == "GET":
        delivering.mark_read(token=token)
    with tenancy.reading(system_actor(operator_id)):
        sent = sending.shared(sending_id)
        # The operator speaks here, whatever the browser of the customer prefers: as the mail did.
        with reading_in(operators_manner()):
            page = _document_page(sent.document) if sent.document else _statement_page(sent)
            template = "billing/shared_document.html" if sent.document else "billing/shared_statement.html"
            answer = render(request, template, {**page, "sent": sent, "token": token})
    return _unlisted(answer)


@never_cache
@require_http_methods(["GET", "HEAD"])
def shared_file(request: HttpRequest, token: str, form: str) -> HttpResponse:
    """The same document as a file: its PDF, or its e-invoice where it has one."""
    operator_id, sending_id = sending.read_token(token)
    with tenancy.reading(system_actor(operator_id)):
        document = sending.shared(sending_id).document
    if document is None or document.kind == "opening" or not (content := _file(document, form)):
        raise NotFound(_("There is no such file of this."))
    answer = HttpResponse(content, content_type=f"application/{form}")
    answer["Content-Disposition"] = f'inline; filename="{document.number}.{form}"'
    return _unlisted(answer)


def _file(document: Document, form: str) -> bytes:
    if form == "pdf":
        return pdf.render(document.document)
    return document.ubl.encode() if form == "xml" else b""


def _unlisted(answer: HttpResponse) -> HttpResponse:
    """No search engine lists it, and no page that it leads to learns its address."""
    answer["X-Robots-Tag"] = "noindex, nofollow"
    answer["Referrer-Policy"] = "no-referrer"
    return answer


def _document_page(found: Document) -> dict[str, Any]:
    standing = settling.standings(ids=[found.id])[0]
    document: dict[str, Any] = found.document
    lines = sorted(document.get("lines", []), key=lambda line: (_site_code(line), line["line"]))
    return {
        "one": found,
        "document": document,
        "issuer": document.get("issuer") or {"legal_name": parties.default_entity().legal_name},
        "sites": [(group[0]["site"], group) for group in _grouped(lines)],
        "standing": standing,
        "is_rounded": Decimal(document.get("cash_rounding", 0)) != 0,
        "word": _("Credit note") if found.kind == "credit_note" else _("Invoice"),
    }


def _grouped(lines: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    return [list(group) for _code, group in groupby(lines, key=_site_code)]


def _site_code(line: dict[str, Any]) -> str:
    return line["site"]["code"] if line.get("site") else ""


def _statement_page(sent: Sending) -> dict[str, Any]:
    since, until = statement_days(sent)
    return {
        "issuer": parties.default_entity(),
        "since": since,
        "until": until,
        "statements": delivering.statements_of(sent),
    }
