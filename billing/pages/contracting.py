"""Making contracts: a new one, sites that join or leave, other terms from a day on, and notice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import NotFound, Refusal
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import contracts as commands
from billing.commands.contracts import NewContract, NewContractSite, NewTerms
from billing.pages.contract_forms import (
    ContractForm,
    ContractSiteForm,
    EndSiteForm,
    NoticeForm,
    TermsForm,
    inclusion_forms,
    inclusions_of,
)
from billing.pages.contracts import in_force, show_contract
from billing.pages.fields import Choices
from billing.queries import contracts, parties

if TYPE_CHECKING:
    from accounts.models import Customer

TERMS = (
    "mode", "cycle_months", "in_advance", "proration", "base_units", "visit_minimum", "invoice_minimum",
    "install_waived", "claw_back_months", "not_admitted", "credits_missed", "make_good_days", "credit_as",
)  # fmt: skip


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def new_contract(request: OperatorRequest) -> HttpResponse:
    """A contract with its sites and first terms, of the customer that the address names."""
    code = request.GET.get("customer", "")
    with tenancy.reading(request.actor):
        customer = accounts.customers().filter(code=code).first() if code else None
        if customer is None:
            raise NotFound(
                _("There is no customer here with this code. Choose one on the page of customers.")
            )
        sites: Choices = [
            (str(one.id), f"{one.name} ({one.code})") for one in accounts.sites().filter(customer=customer)
        ]
        issuers: Choices = [(one.code, one.legal_name) for one in parties.legal_entities()]
    choices = {"issuers": issuers, "sites": sites}
    if request.method != "POST":
        first = clock.today(request.operator.zone).replace(day=1)
        initial = {
            "starts_on": first, "term_months": 12, "renewal_months": 12, "notice_days": 90,
            "end_rule": "period_end", "sites": [site for site, _name in sites] if len(sites) == 1 else [],
        }  # fmt: skip
        terms = TermsForm(initial=_usual_terms(), prefix="terms")
        terms.fields.pop("effective_from")
        return _show_new(
            request, customer, ContractForm(initial=initial, **choices), terms, inclusion_forms()
        )
    form = ContractForm(request.POST, **choices)
    terms = TermsForm(request.POST, prefix="terms")
    terms.fields.pop("effective_from")
    rows = inclusion_forms(request.POST)
    if not all([form.is_valid(), terms.is_valid(), *(row.is_valid() for row in rows)]):
        return _show_new(request, customer, form, terms, rows, status=422)
    try:
        made = commands.add_contract(actor=request.actor, new=_new_contract(customer, form, terms, rows))
    except Refusal as refusal:
        _say_either(form, terms, refusal)
        return _show_new(request, customer, form, terms, rows, status=refusal.status)
    return _back(request, made.number, "made")


def _new_contract(customer: Customer, form: ContractForm, terms: TermsForm, rows: Any) -> NewContract:
    values = dict(form.cleaned_data)
    sites = [
        NewContractSite(site_id=UUID(site), starts_on=values["starts_on"]) for site in values.pop("sites")
    ]
    return NewContract(
        customer_id=customer.id,
        sites=sites,
        terms=NewTerms(inclusions=inclusions_of(rows), **terms.cleaned_data),
        **values,
    )


def _say_either(form: ContractForm, terms: TermsForm, refusal: Refusal) -> None:
    """A problem of the terms is said in their form, any other in the contract's."""
    about_terms = any(problem.pointer.startswith("/terms") for problem in refusal.errors)
    say(terms if about_terms else form, refusal, {"site": "sites", "site_id": "sites"})


def _show_new(
    request: OperatorRequest,
    customer: Customer,
    form: ContractForm,
    terms: TermsForm,
    rows: Any,
    *,
    status: int = 200,
) -> HttpResponse:
    page = {"customer": customer, "form": form, "terms_form": terms, "inclusions": rows}
    return render(request, "billing/new_contract.html", page, status=status)


def _usual_terms() -> dict[str, Any]:
    return {
        "mode": "unit_month", "cycle_months": "1", "proration": "by_days", "not_admitted": "billable",
        "make_good_days": 5, "credit_as": "line", "base_units": 0, "claw_back_months": 0,
    }  # fmt: skip


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def set_terms(request: OperatorRequest, number: str) -> HttpResponse:
    """Other terms from a day on. The form begins with those in force, so that only what changes is typed."""
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        found = contracts.get_contract(number)
        now = in_force(list(contracts.terms_rows(found.id)), today)
    if request.method != "POST":
        initial = {name: getattr(now, name) for name in TERMS} if now else _usual_terms()
        rows = inclusion_forms(stored=now.inclusions if now else ())
        return _show_terms(request, number, TermsForm(initial=initial, prefix="terms"), rows)
    form = TermsForm(request.POST, prefix="terms")
    rows = inclusion_forms(request.POST, now.inclusions if now else ())
    if not all([form.is_valid(), *(row.is_valid() for row in rows)]):
        return _show_terms(request, number, form, rows, status=422)
    try:
        terms = NewTerms(inclusions=inclusions_of(rows), **form.cleaned_data)
        commands.set_terms(actor=request.actor, contract_number=number, terms=terms)
    except Refusal as refusal:
        say(form, refusal)
        return _show_terms(request, number, form, rows, status=refusal.status)
    return _back(request, number, "terms")


def _show_terms(
    request: OperatorRequest, number: str, form: TermsForm, rows: Any, *, status: int = 200
) -> HttpResponse:
    page = {"number": number, "terms_form": form, "inclusions": rows}
    return render(request, "billing/contract_terms.html", page, status=status)


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def add_site(request: OperatorRequest, number: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = contracts.get_contract(number)
        sites: Choices = [
            (str(one.id), f"{one.name} ({one.code})")
            for one in accounts.sites().filter(customer_id=found.customer_id)
        ]
    if request.method != "POST":
        start = max(clock.today(request.operator.zone), found.starts_on)
        return _show_small(
            request, number, ContractSiteForm(initial={"starts_on": start}, sites=sites), "site"
        )
    form = ContractSiteForm(request.POST, sites=sites)
    if not form.is_valid():
        return _show_small(request, number, form, "site", status=422)
    values = form.cleaned_data
    new = NewContractSite(UUID(values["site"]), values["starts_on"], values["ends_before"])
    try:
        commands.add_contract_site(actor=request.actor, contract_number=number, site=new)
    except Refusal as refusal:
        say(form, refusal, {"site_id": "site"})
        return _show_small(request, number, form, "site", status=refusal.status)
    return _back(request, number, "site")


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def end_site(request: OperatorRequest, number: str, row_id: UUID) -> HttpResponse:
    """The first day on which the contract no longer covers a site."""
    with tenancy.reading(request.actor):
        found = contracts.get_contract(number)
        row = next((one for one in contracts.sites_of(found.id) if one.id == row_id), None)
        if row is None:
            raise NotFound(_("This site is not under this contract. Open the contract again."))
    form = EndSiteForm(request.POST or None)
    if request.method != "POST" or not form.is_valid():
        status = 422 if request.method == "POST" else 200
        return _show_small(request, number, form, "end", site=row.site, status=status)
    try:
        commands.end_contract_site(
            actor=request.actor,
            contract_number=number,
            site_id=row.site_id,
            ends_before=form.cleaned_data["ends_before"],
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show_small(request, number, form, "end", site=row.site, status=refusal.status)
    return _back(request, number, "end")


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def give_notice(request: OperatorRequest, number: str) -> HttpResponse:
    """Notice of the whole contract; its rule says when it ends."""
    with tenancy.reading(request.actor):
        contracts.get_contract(number)
    if request.method != "POST":
        form = NoticeForm(initial={"given_on": clock.today(request.operator.zone)})
        return _show_small(request, number, form, "notice")
    form = NoticeForm(request.POST)
    if not form.is_valid():
        return _show_small(request, number, form, "notice", status=422)
    try:
        commands.give_notice(actor=request.actor, contract_number=number, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show_small(request, number, form, "notice", status=refusal.status)
    return _back(request, number, "notice")


@operator_page(Permission.CONTRACTS_MANAGE, "POST")
def withdraw_notice(request: OperatorRequest, number: str) -> HttpResponse:
    try:
        commands.withdraw_notice(actor=request.actor, contract_number=number)
    except Refusal as refusal:
        return show_contract(request, number, refusal=refusal, status=refusal.status)
    return _back(request, number, "withdrawn")


def _show_small(
    request: OperatorRequest, number: str, form: Any, which: str, *, status: int = 200, **more: Any
) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = contracts.get_contract(number)
    page = {"contract": found, "form": form, "which": which, **more}
    return render(request, "billing/contract_form.html", page, status=status)


def _back(request: OperatorRequest, number: str, done: str) -> HttpResponse:
    address = reverse("contract", args=[request.operator.slug, number])
    return redirect(f"{address}?done={done}")
