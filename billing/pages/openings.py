"""What an operator brings along when it joins: open debts of the books before, and the number that documents go on from."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import opening as commands
from billing.commands.opening import NewDebt
from billing.pages import fields
from billing.pages.fields import Choices
from billing.queries import customer_accounts, parties, settling

LARGEST = 999_999_999
KINDS = [("invoice", N_("Invoices")), ("credit_note", N_("Credit notes"))]


class DebtForm(forms.Form):
    number = fields.text(N_("Number of the document"), 40, help_text=N_("As in the books before."))
    issued_on = fields.day(N_("Issued on"))
    due_on = fields.day(N_("Due on"), required=False, help_text=N_("Empty: it is due already."))
    amount = fields.amount(N_("What is left of it"), decimals=4)
    currency = fields.currency()


class SeriesForm(forms.Form):
    kind = fields.choice(N_("Of"), fields.words(KINDS))
    next_number = fields.number(N_("Next number"), LARGEST, least=2)

    def __init__(self, *args: Any, issuers: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["legal_entity"] = fields.choice(
            N_("Of the issuer"), [("", _("The usual one")), *issuers], required=False
        )


@operator_page(Permission.INVOICES_ISSUE, "GET", "HEAD", "POST")
def add_debt(request: OperatorRequest, code: str) -> HttpResponse:
    """An open debt of a customer, of the books before."""
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        currency = parties.default_entity().currency
    if request.method != "POST":
        return _show_debt(request, customer, DebtForm(initial={"currency": currency}))
    form = DebtForm(request.POST)
    if not form.is_valid():
        return _show_debt(request, customer, form, status=422)
    try:
        debt = NewDebt(customer_id=customer.id, **form.cleaned_data)
        commands.record_opening_debts(actor=request.actor, debts=[debt])
    except Refusal as refusal:
        say(form, refusal)
        return _show_debt(request, customer, form, status=refusal.status)
    return redirect(f"{reverse('customer-account', args=[request.operator.slug, code])}?done=debt")


def _show_debt(request: OperatorRequest, customer: Any, form: DebtForm, *, status: int = 200) -> HttpResponse:
    return render(request, "billing/opening_debt.html", {"customer": customer, "form": form}, status=status)


@operator_page(Permission.INVOICES_ISSUE, "GET", "HEAD", "POST")
def series(request: OperatorRequest) -> HttpResponse:
    """The series of numbers, and the number that one goes on from: once, before its first document."""
    with tenancy.reading(request.actor):
        issuers: Choices = [(one.code, one.legal_name) for one in parties.legal_entities()]
    if request.method != "POST":
        return _show_series(request, SeriesForm(issuers=issuers))
    form = SeriesForm(request.POST, issuers=issuers)
    if not form.is_valid():
        return _show_series(request, form, status=422)
    try:
        commands.begin_series(actor=request.actor, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show_series(request, form, status=refusal.status)
    return redirect(f"{reverse('number-series', args=[request.operator.slug])}?done=series")


def _show_series(request: OperatorRequest, form: SeriesForm, *, status: int = 200) -> HttpResponse:
    with tenancy.reading(request.actor):
        rows = list(settling.number_series())
    page = {
        "rows": rows,
        "form": form,
        "today": clock.today(request.operator.zone),
        "done": _("The series goes on from this number.") if request.GET.get("done") == "series" else "",
    }
    return render(request, "billing/series.html", page, status=status)
