"""What billing knows of a customer: who pays, where, how it is taxed, its order numbers, and its sites' cost centres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.commands.customers import set_billing_email
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import parties as commands
from billing.pages import fields
from billing.pages.fields import Choices, GroupedForm
from billing.queries import customer_accounts, parties
from billing.rules.tax_words import TREATMENTS

DONE = {
    "email": N_("The address for mail is changed."),
    "profile": N_("What billing knows of this customer is saved."),
    "order": N_("The purchase order is entered."),
    "ended": N_("The purchase order's end is set."),
    "site": N_("The site's cost centre and tax are saved."),
}


class ProfileForm(GroupedForm):
    groups = (
        (N_("Who pays"), ("bill_to", "payment_days", "delivery", "invoice_minimum")),
        (N_("Address on documents"), ("street", "postcode", "city", "subdivision", "buyer_reference")),
        (N_("Tax"), ("tax_treatment", "vat_id", "tax_jurisdiction", "exemption_reason")),
        (N_("Purchase orders"), ("po_required", "line_pos")),
    )

    bill_to = fields.text(
        N_("Paid by another customer"), 40, required=False, help_text=N_("Its code; empty: it pays itself.")
    )
    payment_days = fields.number(
        N_("Days to pay"), 365, required=False, help_text=N_("Empty: as the issuer usually gives.")
    )
    delivery = fields.choice(
        N_("Documents go"), fields.words([("email", N_("by e-mail")), ("none", N_("not by e-mail"))])
    )
    invoice_minimum = fields.amount(N_("An invoice before tax is at least"), required=False)
    street = fields.text(N_("Street and number"), 200, required=False)
    postcode = fields.text(N_("Postcode"), 20, required=False)
    city = fields.text(N_("City"), 100, required=False)
    subdivision = fields.text(N_("State or region"), 60, required=False)
    buyer_reference = fields.text(N_("Reference of the buyer"), 60, required=False)
    tax_treatment = fields.choice(N_("It is taxed"), fields.words(TREATMENTS.items()))
    vat_id = fields.text(N_("VAT or GST number"), 30, required=False)
    tax_jurisdiction = fields.text(
        N_("Taxed in"), 20, required=False, help_text=N_("Empty: where its sites are.")
    )
    exemption_reason = fields.text(N_("Why there is no tax"), 200, required=False)
    po_required = fields.tick(N_("Every invoice needs an order number"))
    line_pos = fields.tick(N_("One invoice may have several order numbers"))


class OrderForm(forms.Form):
    number = fields.text(N_("Order number"), 60)
    starts_on = fields.day(N_("Holds from"))
    ends_before = fields.day(
        N_("First day it no longer holds"), required=False, help_text=N_("Empty: until further notice.")
    )
    limit = fields.amount(N_("Limit, net"), required=False, decimals=4, help_text=N_("Empty: none."))

    def __init__(self, *args: Any, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = fields.choice(N_("For"), [("", _("all its sites")), *sites], required=False)


class SiteForm(forms.Form):
    tax_jurisdiction = fields.text(
        N_("Taxed in"), 20, required=False, help_text=N_("Empty: as the customer.")
    )
    cost_centre = fields.text(N_("The customer's cost centre"), 60, required=False)

    def __init__(self, *args: Any, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = fields.choice(N_("Site"), [("", _("Choose the site")), *sites])
        self.order_fields(["site", "cost_centre", "tax_jurisdiction"])


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def profile(request: OperatorRequest, code: str) -> HttpResponse:
    if request.method != "POST":
        return _show(request, code)
    form = ProfileForm(request.POST)
    if not form.is_valid():
        return _show(request, code, profile_form=form, status=422)
    values = dict(form.cleaned_data)
    payer_code = values.pop("bill_to")
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        payer = accounts.customers().filter(code=payer_code).first() if payer_code else None
    if payer_code and payer is None:
        form.add_error("bill_to", _("There is no customer here with this code."))
        return _show(request, code, profile_form=form, status=422)
    try:
        commands.set_profile(
            actor=request.actor,
            customer_id=customer.id,
            values=values | {"bill_to_id": payer.id if payer else None},
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, code, profile_form=form, status=refusal.status)
    return _back(request, code, "profile")


@operator_page(Permission.DOCUMENTS_SEND, "POST")
def set_email(request: OperatorRequest, code: str) -> HttpResponse:
    """Where the customer's documents go from now on."""
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
    email = request.POST.get("email", "").strip()
    try:
        set_billing_email(actor=request.actor, customer_id=customer.id, email=email)
    except Refusal as refusal:
        return _show(request, code, refusal=refusal, email=email, status=refusal.status)
    return _back(request, code, "email")


@operator_page(Permission.CONTRACTS_MANAGE, "POST")
def add_order(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        sites = _sites(customer.id)
    form = OrderForm(request.POST, sites=sites, prefix="order")
    if not form.is_valid():
        return _show(request, code, order_form=form, status=422)
    values = dict(form.cleaned_data)
    order = {name: value for name, value in values.items() if value not in {None, ""} and name != "site"}
    order |= {"site_id": UUID(values["site"])} if values["site"] else {}
    try:
        commands.add_purchase_orders(actor=request.actor, orders=[{"customer_id": customer.id, **order}])
    except Refusal as refusal:
        say(form, refusal, {"site_id": "site"})
        return _show(request, code, order_form=form, status=refusal.status)
    return _back(request, code, "order")


@operator_page(Permission.CONTRACTS_MANAGE, "POST")
def end_order(request: OperatorRequest, code: str, order_id: UUID) -> HttpResponse:
    """An order holds no longer, from today on."""
    today = clock.today(request.operator.zone)
    try:
        commands.end_purchase_order(actor=request.actor, order_id=order_id, ends_before=today)
    except Refusal as refusal:
        return _show(request, code, refusal=refusal, status=refusal.status)
    return _back(request, code, "ended")


@operator_page(Permission.CONTRACTS_MANAGE, "POST")
def set_site(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        sites = _sites(customer.id)
    form = SiteForm(request.POST, sites=sites, prefix="site")
    if not form.is_valid():
        return _show(request, code, site_form=form, status=422)
    values = dict(form.cleaned_data)
    site_id = UUID(values.pop("site"))
    try:
        commands.set_site_billing(actor=request.actor, sites=[{"site_id": site_id, **values}])
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, code, site_form=form, status=refusal.status)
    return _back(request, code, "site")


def _sites(customer_id: UUID) -> Choices:
    """The sites of a customer and of those it pays for."""
    rows = accounts.sites().filter(customer_id__in=parties.paid_for_by(customer_id))
    return [(str(one.id), f"{one.name} ({one.code})") for one in rows]


def _show(request: OperatorRequest, code: str, *, status: int = 200, **filled: Any) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        row = parties.get_billing_profile(customer.id)
        payer = accounts.get_customer(row.bill_to_id) if row.bill_to_id else None
        orders = list(parties.purchase_order_rows().filter(customer=customer).select_related("site"))
        sites = _sites(customer.id)
        known = parties.site_billings([UUID(site) for site, _name in sites])
    initial = {name: getattr(row, name) for name in ProfileForm.base_fields if name != "bill_to"}
    initial["bill_to"] = payer.code if payer else ""
    page = {
        "customer": customer,
        "orders": sorted(orders, key=lambda order: order.starts_on, reverse=True),
        "sites": [(name, known[UUID(site)]) for site, name in sites if UUID(site) in known],
        "has_sites": bool(sites),
        "profile_form": ProfileForm(initial=initial),
        "order_form": OrderForm(initial={"starts_on": today}, sites=sites, prefix="order"),
        "site_form": SiteForm(sites=sites, prefix="site"),
        "today": today,
        "email": customer.billing_email,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        **filled,
    }
    return render(request, "billing/profile.html", page, status=status)


def _back(request: OperatorRequest, code: str, done: str) -> HttpResponse:
    return redirect(f"{reverse('billing-profile', args=[request.operator.slug, code])}?done={done}")
