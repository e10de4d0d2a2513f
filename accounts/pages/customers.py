"""Customers: the list, a new one, and one with its sites and what can be changed of it."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import queries, tenancy
from accounts.commands import customers as commands
from accounts.commands import places
from accounts.errors import Refusal
from accounts.models import Customer
from accounts.pages import wording
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Lines, Text, say
from accounts.permissions import Permission

PAGE_SIZE = 50


class CustomerForm(forms.Form):
    name = Text(label=gettext_lazy("Name, as it stands on invoices"), max_length=200)
    address = Lines(label=gettext_lazy("Address"), required=False, max_length=1_000)
    country = Choice(label=gettext_lazy("Country"), choices=wording.countries)
    billing_email = forms.EmailField(
        label=gettext_lazy("E-mail for invoices"),
        required=False,
        max_length=254,
        help_text=gettext_lazy("Empty: nothing is mailed."),
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
    )


class NewCustomerForm(CustomerForm):
    code = Text(
        label=gettext_lazy("Code"),
        max_length=20,
        help_text=gettext_lazy("Short and your own, such as C12. It can't be changed later."),
    )
    field_order = ("name", "code", "address", "country", "billing_email")


@operator_page(Permission.CUSTOMERS_MANAGE)
def customers(request: OperatorRequest) -> HttpResponse:
    wanted = request.GET.get("find", "").strip()
    with tenancy.reading(request.actor):
        found = Paginator(queries.found_customers(wanted), PAGE_SIZE)
        part = found.get_page(request.GET.get("page"))
        page = {"rows": list(part.object_list), "total": found.count, "find": wanted, "part": part}
    page["query"] = urlencode({"find": wanted}) if wanted else ""
    return render(request, "accounts/customers.html", page)


@operator_page(Permission.CUSTOMERS_MANAGE, "GET", "HEAD", "POST")
def new_customer(request: OperatorRequest) -> HttpResponse:
    form = NewCustomerForm(request.POST if request.method == "POST" else None, initial=_proposed(request))
    if not form.is_bound:
        return _show_new(request, form)
    if not form.is_valid():
        return _show_new(request, form, status=422)
    try:
        made = commands.add_customers(actor=request.actor, customers=[form.cleaned_data])[0]
    except Refusal as refusal:
        say(form, refusal)
        return _show_new(request, form, status=refusal.status)
    return redirect("customer", slug=request.operator.slug, code=made.code)


def _show_new(request: OperatorRequest, form: forms.Form, *, status: int = 200) -> HttpResponse:
    return render(request, "accounts/new_customer.html", {"form": form}, status=status)


def _proposed(request: OperatorRequest) -> dict[str, Any]:
    with tenancy.reading(request.actor):
        code, country = queries.next_number("customer"), queries.usual_country()
    return {"code": code, "country": country or wording.country_of_zone(request.operator.zone)}


@operator_page(Permission.CUSTOMERS_MANAGE, "GET", "HEAD", "POST")
def customer(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.customer_by_code(code)
    form = _form_of(request, found, request.POST if request.method == "POST" else None)
    if not form.is_bound:
        return _show(request, found, form)
    if not form.is_valid():
        return _show(request, found, form, status=422)
    try:
        _change(request, found, form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal, {"email": "billing_email"})
        return _show(request, found, form, status=refusal.status)
    return redirect("customer", slug=request.operator.slug, code=code)


@operator_page(Permission.CUSTOMERS_MANAGE, "POST")
def remove_customer(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.customer_by_code(code)
    try:
        commands.remove_customer(actor=request.actor, customer_id=found.id)
    except Refusal as refusal:
        return _show(
            request, found, _form_of(request, found), status=refusal.status, not_removed=refusal.detail
        )
    return redirect("customers", slug=request.operator.slug)


def _form_of(request: OperatorRequest, found: Customer, typed: QueryDict | None = None) -> CustomerForm:
    names = (*places.CUSTOMER_FIELDS, "billing_email")
    form = CustomerForm(typed, initial={name: getattr(found, name) for name in names})
    if not request.actor.may(Permission.DOCUMENTS_SEND):
        form.fields["billing_email"].disabled = True
    return form


def _change(request: OperatorRequest, found: Customer, values: dict[str, Any]) -> None:
    email = values["billing_email"]
    if email != found.billing_email:
        commands.set_billing_email(actor=request.actor, customer_id=found.id, email=email)
    own = {name: values[name] for name in places.CUSTOMER_FIELDS}
    places.change_customer(actor=request.actor, customer_id=found.id, **own)


def _show(
    request: OperatorRequest, found: Customer, form: forms.Form, *, status: int = 200, not_removed: str = ""
) -> HttpResponse:
    with tenancy.reading(request.actor):
        sites = list(queries.found_sites("", found.id))
    page = {
        "customer": found,
        "sites": sites,
        "form": form,
        "not_removed": not_removed,
        "may_read_invoices": request.actor.may(Permission.INVOICES_READ),
        "may_share": request.actor.may(Permission.RECORDS_SHARE),
    }
    return render(request, "accounts/customer.html", page, status=status)
