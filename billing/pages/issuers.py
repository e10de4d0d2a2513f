"""Who issues documents and at what tax: the legal entities, and the rates of each jurisdiction from a day on."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.commands import parties as commands
from billing.models.parties import TAX_CATEGORIES, TAX_CLASSES
from billing.pages import fields
from billing.pages.fields import GroupedForm, say
from billing.queries import parties
from billing.rules.chart import USUAL_NUMBERS
from billing.rules.tax_words import CATEGORIES, CLASSES, REGIMES, TAX_BASES

DONE = {"issuer": "The legal entity is saved.", "rate": "The rate is set."}
ACCOUNT = "account_"


class IssuerForm(GroupedForm):
    """A legal entity: its name and address as documents show them, its tax, its bank, and when it reminds."""

    groups = (
        ("The legal entity", ("code", "legal_name", "registration", "is_default")),
        ("Address", ("street", "postcode", "city", "subdivision", "country")),
        ("Tax", ("regime", "vat_id", "tax_jurisdiction", "tax_basis")),
        ("Money", ("currency", "payment_days", "cash_rounding")),
        ("Bank", ("bank_name", "iban", "bic")),
        ("For questions", ("email", "phone", "reminder_days")),
        ("Accounts of the ledger", tuple(f"{ACCOUNT}{purpose}" for purpose in USUAL_NUMBERS)),
    )

    code = fields.text("Code", 10, help_text="Capital letters and digits; it stands in document numbers.")
    legal_name = fields.text("Legal name", 200)
    registration = fields.text("Entry in the register", 60, required=False)
    is_default = fields.tick("Issues where a contract names nobody")
    street = fields.text("Street and number", 200, required=False)
    postcode = fields.text("Postcode", 20, required=False)
    city = fields.text("City", 100, required=False)
    subdivision = fields.text("State or region", 60, required=False)
    country = fields.text("Country", 2, help_text="Two capital letters, such as DE.")
    regime = fields.choice("Adds to its prices", REGIMES)
    vat_id = fields.text("VAT or GST number", 30, required=False)
    tax_jurisdiction = fields.text(
        "Taxed in", 20, required=False, help_text="Unless site or customer say otherwise: DE, US-CO."
    )
    tax_basis = fields.choice("Tax is rounded", TAX_BASES)
    currency = fields.currency()
    payment_days = fields.number("Days to pay", 365)
    cash_rounding = fields.amount(
        "Totals are rounded to", required=False, decimals=4, help_text="Such as 0.05; empty or 0: not at all."
    )
    bank_name = fields.text("Bank", 100, required=False)
    iban = fields.text("IBAN", 42, required=False)
    bic = fields.text("BIC", 11, required=False)
    email = forms.EmailField(label="E-mail", max_length=254, required=False)
    phone = fields.text("Telephone", 40, required=False)
    reminder_days = fields.text(
        "Reminders, days past due", 60, required=False, help_text="Such as 7, 21, 35; empty: the usual ones."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for purpose, usual in USUAL_NUMBERS.items():
            self.fields[f"{ACCOUNT}{purpose}"] = fields.text(
                str(purpose).replace("_", " ").capitalize(), 20, required=False, placeholder=usual
            )

    def clean_reminder_days(self) -> list[int]:
        said = self.cleaned_data["reminder_days"].replace(",", " ").split()
        if not all(word.isdigit() for word in said):
            raise forms.ValidationError("Enter whole numbers of days with commas between them: 7, 21, 35.")
        return [int(word) for word in said]

    @property
    def values(self) -> dict[str, Any]:
        """As the command takes them, without the code."""
        values = {name: value for name, value in self.cleaned_data.items() if not name.startswith(ACCOUNT)}
        values.pop("code")
        values["cash_rounding"] = values["cash_rounding"] or 0
        values["accounts"] = {
            name.removeprefix(ACCOUNT): value
            for name, value in self.cleaned_data.items()
            if name.startswith(ACCOUNT) and value
        }
        return values


class TaxRateForm(forms.Form):
    jurisdiction = fields.text("Taxed in", 20, help_text="Such as DE or US-CO.")
    tax_class = fields.choice("For supplies that are", [(one, CLASSES[one]) for one in TAX_CLASSES])
    category = fields.choice("Category", [(one, f"{one}: {CATEGORIES[one]}") for one in TAX_CATEGORIES])
    rate = fields.percent("Rate, in per cent")
    name = fields.text("Name on the document", 60, required=False, help_text="Such as VAT.")
    exemption_reason = fields.text("Why there is no tax", 200, required=False)
    effective_from = fields.day("In force from")


@operator_page(Permission.INVOICES_READ)
def issuers(request: OperatorRequest) -> HttpResponse:
    return _show(request)


def _show(request: OperatorRequest, form: TaxRateForm | None = None, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        entities, rates = list(parties.legal_entities()), list(parties.tax_rate_rows())
    default = next((one for one in entities if one.is_default), None)
    initial = {"effective_from": today.replace(day=1), "name": "VAT"}
    page = {
        "entities": entities,
        "rates": rates,
        "regimes": dict(REGIMES),
        "classes": CLASSES,
        "default": default,
        "form": form or TaxRateForm(initial=initial),
        "today": today,
        "done": DONE.get(request.GET.get("done", ""), ""),
        "may_manage": request.actor.may(Permission.CONTRACTS_MANAGE),
        "may_issue": request.actor.may(Permission.INVOICES_ISSUE),
        "may_price": request.actor.may(Permission.PRICES_MANAGE),
    }
    return render(request, "billing/issuers.html", page, status=status)


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def new_issuer(request: OperatorRequest) -> HttpResponse:
    return _issuer_form(request, "")


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST")
def issuer(request: OperatorRequest, code: str) -> HttpResponse:
    return _issuer_form(request, code)


def _issuer_form(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        stored = parties.get_legal_entity(code) if code else None
        is_first = not parties.legal_entities().exists()
    if request.method != "POST":
        return _show_issuer(request, code, IssuerForm(initial=_initial(request, stored, is_first=is_first)))
    form = IssuerForm(request.POST if not code else {**request.POST.dict(), "code": code})
    if not form.is_valid():
        return _show_issuer(request, code, form, status=422)
    try:
        commands.set_legal_entity(actor=request.actor, code=form.cleaned_data["code"], values=form.values)
    except Refusal as refusal:
        say(form, refusal, {purpose: f"{ACCOUNT}{purpose}" for purpose in USUAL_NUMBERS})
        return _show_issuer(request, code, form, status=refusal.status)
    return redirect(f"{reverse('issuers', args=[request.operator.slug])}?done=issuer")


def _initial(request: OperatorRequest, stored: Any, *, is_first: bool) -> dict[str, Any]:
    if stored is None:
        operator = request.operator
        return {
            "legal_name": operator.legal_name, "currency": operator.currency, "payment_days": 30,
            "regime": "vat", "tax_basis": "invoice", "is_default": is_first,
        }  # fmt: skip
    values = {name: getattr(stored, name) for name in IssuerForm.base_fields}
    values["reminder_days"] = ", ".join(str(day) for day in stored.reminder_days)
    values["cash_rounding"] = stored.cash_rounding.normalize() if stored.cash_rounding else ""
    return values | {f"{ACCOUNT}{purpose}": number for purpose, number in stored.accounts.items()}


def _show_issuer(request: OperatorRequest, code: str, form: IssuerForm, *, status: int = 200) -> HttpResponse:
    if code:
        form.fields["code"].disabled = True
    return render(request, "billing/issuer.html", {"code": code, "form": form}, status=status)


@operator_page(Permission.PRICES_MANAGE, "POST")
def set_tax_rate(request: OperatorRequest) -> HttpResponse:
    form = TaxRateForm(request.POST)
    if not form.is_valid():
        return _show(request, form, status=422)
    try:
        commands.set_tax_rate(actor=request.actor, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, form, status=refusal.status)
    return redirect(f"{reverse('issuers', args=[request.operator.slug])}?done=rate")
