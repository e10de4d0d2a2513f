"""Documents: all of them, and each with the work that it stands on, what is paid of it, and how it was sent."""

from __future__ import annotations

from datetime import date
from itertools import groupby
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, phrases, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.commands import sending as commands
from billing.models import Document, Sending
from billing.queries import document_lists, documents, explaining, refunds, sending, settling
from billing.queries.document_forms import MEDIA_TYPES, form_of
from billing.queries.settling import Standing
from billing.rules.dating import full_day
from billing.rules.messages import money_text

PAGE_SIZE = 50
LINES = 300
KINDS = {"invoice": N_("Invoice"), "credit_note": N_("Credit note"), "opening": N_("Debt brought forward")}
SENT = {
    "issue": N_("As issued"),
    "again": N_("Again"),
    "reminder": N_("Reminder"),
    "statement": N_("Statement"),
    "price_change": N_("New prices"),
}
DONE = {
    "sent": N_("It goes out again by mail; below stands when."),
    "credited": N_("The credit note is issued. It settles what is left of its invoice."),
    "paid": N_("The payment is recorded."),
    "refunded": N_("What was paid back is recorded."),
    "released": N_("It no longer settles that document, and may settle another."),
}


@operator_page(Permission.INVOICES_READ)
def document_list(request: OperatorRequest) -> HttpResponse:
    """The documents, the latest first: all, or those of a customer, a kind or a month, or what is open."""
    asked = {name: request.GET.get(name, "").strip() for name in ("customer", "kind", "month", "find")}
    with tenancy.reading(request.actor):
        pages = Paginator(document_lists.documents(**asked), PAGE_SIZE)
        part = pages.get_page(request.GET.get("page"))
        found = list(part.object_list)
        standing = {one.id: one for one in settling.standings(ids=[one.id for one in found])}
    query = request.GET.copy()
    query.pop("page", None)
    page = {
        "rows": [(one, standing.get(one.id)) for one in found],
        "part": part,
        "total": pages.count,
        "asked": asked,
        "is_asked": any(asked.values()),
        "kinds": {one: _(word) for one, word in KINDS.items()},
        "query": query.urlencode(),
    }
    return render(request, "billing/documents.html", page)


@operator_page(Permission.INVOICES_READ)
def document(request: OperatorRequest, number: str) -> HttpResponse:
    """An issued document as it stands stored, line by line."""
    return show_document(request, number)


def show_document(
    request: OperatorRequest, number: str, *, refusal: Refusal | None = None, status: int = 200
) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = documents.get_document(number)
        standing = next(iter(settling.standings(ids=[found.id])))
        settled = settling.settlements_of(found.id)
        settles = refunds.settlings(refunds.allocations_of_credit(found.id))
        left_again = refunds.refunds_of_credit(found.id)
        sent = list(sending.sendings_of(found.id))
        part = Paginator(found.document.get("lines", []), LINES).get_page(request.GET.get("page"))
        charges = document_lists.charges_of_lines(found.id, [line["line"] for line in part.object_list])
        can_credit = found.kind == "invoice" and documents.creditable(number).net_left > 0
    page = {
        "one": found,
        "kind": _(KINDS[found.kind]),
        "document": found.document,
        "lead": _lead(found, standing),
        "sites": _by_site(list(part.object_list), charges),
        "part": part,
        "rounding": found.document.get("cash_rounding", "0").strip("-0."),
        "settled": settled,
        "settles": settles,
        "refunds": left_again,
        "left": standing.left,
        "sendings": [_told(row) for row in sent],
        "may_send": request.actor.may(Permission.DOCUMENTS_SEND),
        "may_credit": can_credit and request.actor.may(Permission.INVOICES_ISSUE),
        "may_pay": request.actor.may(Permission.PAYMENTS_RECORD),
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        "refusal": refusal,
        "to": request.POST.get("to", ""),
    }
    return render(request, "billing/document.html", page, status=status)


def _by_site(lines: list[dict[str, Any]], charges: dict[int, UUID]) -> list[tuple[Any, list[dict[str, Any]]]]:
    """The lines under their sites, each with the charge that explains it; those of no site come last."""
    told = [{**line, "charge_id": charges.get(line["line"])} for line in lines]
    told.sort(key=lambda line: (line["site"] is None, (line["site"] or {}).get("code", ""), line["line"]))
    return [(site, list(group)) for site, group in groupby(told, key=lambda line: line["site"])]


def _lead(one: Document, standing: Standing) -> str:
    """What the document comes to and how it stands, in one sentence."""
    total, left = money_text(standing.payable, one.currency), money_text(standing.left, one.currency)
    if one.kind == "credit_note":
        sentence = _given_back(is_of_one=bool(one.corrects_id), is_left=bool(standing.left))
    elif not standing.left:
        sentence = (
            _("{name} owed {total} for {month}; nothing is left to pay.")
            if one.document.get("month")
            else _("{name} owed {total}; nothing is left to pay.")
        )
    else:
        sentence = _owes(one, standing)
    corrects = (one.document.get("references") or {}).get("corrects") or {}
    return sentence.format(
        name=one.customer.name,
        total=total,
        left=left,
        month=phrases.month(date.fromisoformat(f"{one.document['month']}-01"))
        if one.document.get("month")
        else "",
        day=full_day(one.due_on) if one.due_on else "",
        number=corrects.get("number", ""),
    )


def _given_back(*, is_of_one: bool, is_left: bool) -> str:
    sentences = {
        (True, True): _("{name} gets {total} back of {number}, of which {left} settles nothing yet."),
        (True, False): _("{name} gets {total} back of {number}."),
        (False, True): _("{name} gets {total} back, of which {left} settles nothing yet."),
        (False, False): _("{name} gets {total} back."),
    }
    return sentences[is_of_one, is_left]


def _owes(one: Document, standing: Standing) -> str:
    if standing.settled:
        sentences = {
            (True, True): _("{name} still owes {left} of {total} for {month} by {day}."),
            (True, False): _("{name} still owes {left} of {total} for {month}."),
            (False, True): _("{name} still owes {left} of {total} by {day}."),
            (False, False): _("{name} still owes {left} of {total}."),
        }
    else:
        sentences = {
            (True, True): _("{name} owes {total} for {month} by {day}."),
            (True, False): _("{name} owes {total} for {month}."),
            (False, True): _("{name} owes {total} by {day}."),
            (False, False): _("{name} owes {total}."),
        }
    return sentences[bool(one.document.get("month")), one.due_on is not None]


def _told(row: Sending) -> dict[str, Any]:
    words = _(SENT[row.kind])
    return {
        "kind_words": f"{words} {row.step}" if row.kind == "reminder" else words,
        "to": row.to or _("nobody"),
        "sent_at": row.sent_at,
        "read_at": row.read_at,
        "failed": row.failed,
    }


@operator_page(Permission.INVOICES_READ)
def document_file(request: OperatorRequest, number: str, form: str) -> HttpResponse:
    """The document as a file: a letter (PDF), an e-invoice (UBL), or as it is kept (JSON)."""
    with tenancy.reading(request.actor):
        found = documents.get_document(number)
    answer = HttpResponse(form_of(found, form), content_type=MEDIA_TYPES[form])
    answer["Content-Disposition"] = f'inline; filename="{file_name(found.number, form)}"'
    return answer


def file_name(number: str, form: str) -> str:
    """A name that every file system takes."""
    plain = "".join(one if one.isascii() and (one.isalnum() or one in "-_.") else "-" for one in number)
    return f"{plain}.{form}"


@operator_page(Permission.DOCUMENTS_SEND, "POST")
def send_again(request: OperatorRequest, number: str) -> HttpResponse:
    try:
        commands.send_again(actor=request.actor, number=number, to=request.POST.get("to", ""))
    except Refusal as refusal:
        return show_document(request, number, refusal=refusal, status=refusal.status)
    return redirect(f"{reverse('invoice', args=[request.operator.slug, number])}?done=sent")


@operator_page(Permission.INVOICES_READ)
def charge(request: OperatorRequest, charge_id: UUID) -> HttpResponse:
    """Why a charge is what it is: its clause, its price, the events behind it, its arithmetic, where it stands."""
    with tenancy.reading(request.actor):
        told = explaining.explain(charge_id)
        units = document_lists.unit_codes({event.subject_id for event in told.events})
    return render(request, "billing/charge.html", {"told": told, "units": units, "today": clock.now()})
