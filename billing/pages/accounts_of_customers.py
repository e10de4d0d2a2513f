"""What each customer owes and paid: all customers, and the account of one with its statement over a span of days."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import sending as commands
from billing.pages import fields
from billing.queries import ageing, contract_lists, customer_accounts, parties, settling, statement
from billing.rules.ageing import Band
from billing.rules.tax_words import TREATED

PAGE_SIZE = 50
OPEN_SHOWN, PAYMENTS_SHOWN = 100, 20
SPAN_DAYS = 90
BANDS = {
    Band.NOT_DUE: N_("not due yet"),
    Band.TO_30: N_("1 to 30 days"),
    Band.TO_60: N_("31 to 60 days"),
    Band.TO_90: N_("61 to 90 days"),
    Band.OVER_90: N_("over 90 days"),
}
DONE = {
    "paid": N_("The payment is recorded."),
    "settled": N_("The payment settles what you chose."),
    "debt": N_("The debt is brought forward."),
    "sent": N_("The statement goes out by mail."),
}


class SpanForm(forms.Form):
    """The days of a statement, both ends included."""

    since = fields.day(N_("From"))
    until = fields.day(N_("Until"))

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("since") and values.get("until") and values["since"] > values["until"]:
            self.add_error("until", _("This lies before the first day. Choose a later one."))
        return values


@operator_page(Permission.INVOICES_READ)
def customer_list(request: OperatorRequest) -> HttpResponse:
    """Every customer with what it owes."""
    today = clock.today(request.operator.zone)
    find = request.GET.get("find", "").strip()
    with tenancy.reading(request.actor):
        pages = Paginator(customer_accounts.customers(find), PAGE_SIZE)
        part = pages.get_page(request.GET.get("page"))
        found = list(part.object_list)
        owing = {one.id: one for one in ageing.ageing(at=today, customer_ids=[one.id for one in found])}
    page = {
        "rows": [(one, _owed(owing[one.id]) if one.id in owing else []) for one in found],
        "part": part,
        "total": pages.count,
        "find": find,
        "query": f"find={find}" if find else "",
    }
    return render(request, "billing/customers.html", page)


def _owed(debtor: ageing.Debtor) -> list[dict[str, Any]]:
    return [
        {"aged": row, "past_due": row.owed - row.bands[Band.NOT_DUE], "currency": row.currency}
        for row in debtor.rows
    ]


@operator_page(Permission.INVOICES_READ)
def customer_account(request: OperatorRequest, code: str) -> HttpResponse:
    return _show(request, code)


def _show(
    request: OperatorRequest, code: str, *, span: SpanForm | None = None, status: int = 200
) -> HttpResponse:
    today = clock.today(request.operator.zone)
    span = span or _span(request, today)
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        debtors = ageing.ageing(at=today, customer_ids=[customer.id])
        opened = settling.open_documents(customer_ids=[customer.id])
        currencies = statement.currencies(customer.id)
        currency = request.GET.get("currency", "")
        told = (
            statement.statement(
                customer.id,
                since=span.cleaned_data["since"],
                until=span.cleaned_data["until"],
                currency=currency if currency in currencies else "",
            )
            if span.is_valid()
            else None
        )
        rows = settling.payments().filter(customer=customer)
        paid = settling.standing_of(list(rows.order_by("-received_on", "-id")[:PAYMENTS_SHOWN]))
        profile = parties.get_billing_profile(customer.id)
        payer = accounts.get_customer(profile.bill_to_id) if profile.bill_to_id else None
        contracts = list(contract_lists.contracts_of_customer(customer.id))
    page = {
        "customer": customer,
        "aged": [_aged(row) for debtor in debtors for row in debtor.rows],
        "bands": [_(word) for word in BANDS.values()],
        "lead": _lead(debtors, opened, today),
        "opened": opened[:OPEN_SHOWN],
        "more": max(0, len(opened) - OPEN_SHOWN),
        "payments": paid,
        "payments_shown": PAYMENTS_SHOWN,
        "currencies": currencies,
        "statement": told,
        "span": span,
        "profile": profile,
        "treated": _(TREATED[profile.tax_treatment]),
        "payer": payer,
        "contracts": contracts,
        "today": today,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        "may_pay": request.actor.may(Permission.PAYMENTS_RECORD),
        "may_send": request.actor.may(Permission.DOCUMENTS_SEND),
        "may_issue": request.actor.may(Permission.INVOICES_ISSUE),
        "may_manage": request.actor.may(Permission.CONTRACTS_MANAGE),
    }
    return render(request, "billing/customer.html", page, status=status)


def _span(request: OperatorRequest, today: date) -> SpanForm:
    """The days asked for; without any, the last ninety."""
    usual = {"since": str(today - timedelta(days=SPAN_DAYS)), "until": str(today)}
    asked = {name: request.GET.get(name, value) for name, value in usual.items()}
    return SpanForm(asked)


def _aged(row: Any) -> dict[str, Any]:
    return {
        "currency": row.currency,
        "bands": [(_(BANDS[band]), row.bands[band]) for band in BANDS],
        "credit": row.credit,
        "owed": row.owed,
        "balance": row.balance,
    }


def _lead(debtors: list[ageing.Debtor], opened: list[settling.Standing], today: date) -> dict[str, Any]:
    late = [one for one in opened if not one.is_credit and one.due_on < today]
    return {
        "owed": [(row.owed, row.currency) for debtor in debtors for row in debtor.rows if row.owed],
        "late": len(late),
        "oldest": late[0] if late else None,
        "days": (today - late[0].due_on).days if late else 0,
    }


@operator_page(Permission.DOCUMENTS_SEND, "POST")
def send_statement(request: OperatorRequest, code: str) -> HttpResponse:
    """Mail the statement of the days that stand on the page."""
    form = SpanForm(request.POST)
    if not form.is_valid():
        return _show(request, code, span=form, status=422)
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
    try:
        commands.send_statement(actor=request.actor, customer_id=customer.id, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, code, span=form, status=refusal.status)
    return redirect(f"{reverse('customer-account', args=[request.operator.slug, code])}?done=sent")
