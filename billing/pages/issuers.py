"""Who issues documents and at what tax: the legal entities, and the rates of each jurisdiction from a day on."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.functional import lazy

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import TO_ACT, OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import parties as commands
from billing.models.parties import TAX_CATEGORIES, TAX_CLASSES
from billing.pages import fields
from billing.pages.fields import GroupedForm
from billing.queries import parties
from billing.rules.chart import USUAL_NUMBERS
from billing.rules.tax_words import CATEGORIES, CLASSES, REGIMES, TAX_BASES
from billing.rules.vocabulary import ACCOUNTS

DONE = {"issuer": N_("The legal entity is saved."), "rate": N_("The rate is set.")}
ACCOUNT = "account_"


def _category(code: str) -> str:
    return f"{code}: {_(CATEGORIES[code])}"


_categories: Any = lazy(_category, str)


class IssuerForm(GroupedForm):
    """A legal entity: its name and address as documents show them, its tax, its bank, and when it reminds."""

    groups = (
        (N_("The legal entity"), ("code", "legal_name", "registration", "is_default")),
        (N_("Address"), ("street", "postcode", "city", "subdivision", "country")),
        (N_("Tax"), ("regime", "vat_id", "tax_jurisdiction", "tax_basis")),
        (N_("Money"), ("currency", "payment_days", "cash_rounding")),
        (N_("Bank"), ("bank_name", "iban", "bic")),
        (N_("For questions"), ("email", "phone", "reminder_days")),
        (N_("Accounts of the ledger"), tuple(f"{ACCOUNT}{purpose}" for purpose in USUAL_NUMBERS)),
    )

    code = fields.text(
        N_("Code"), 10, help_text=N_("Capital letters and digits; it stands in document numbers.")
    )
    legal_name = fields.text(N_("Legal name"), 200)
    registration = fields.text(N_("Entry in the register"), 60, required=False)
    is_default = fields.tick(N_("Issues where a contract names nobody"))
    street = fields.text(N_("Street and number"), 200, required=False)
    postcode = fields.text(N_("Postcode"), 20, required=False)
    city = fields.text(N_("City"), 100, required=False)
    subdivision = fields.text(N_("State or region"), 60, required=False)
    country = fields.text(N_("Country"), 2, help_text=N_("Two capital letters, such as DE."))
    regime = fields.choice(N_("Adds to its prices"), fields.words(REGIMES))
    vat_id = fields.text(N_("VAT or GST number"), 30, required=False)
    tax_jurisdiction = fields.text(
        N_("Taxed in"), 20, required=False, help_text=N_("Unless site or customer say otherwise: DE, US-CO.")
    )
    tax_basis = fields.choice(N_("Tax is rounded"), fields.words(TAX_BASES))
    currency = fields.currency()
    payment_days = fields.number(N_("Days to pay"), 365)
    cash_rounding = fields.amount(
        N_("Totals are rounded to"),
        required=False,
        decimals=4,
        help_text=N_("Such as 0.05; empty or 0: not at all."),
    )
    bank_name = fields.text(N_("Bank"), 100, required=False)
    iban = fields.text("IBAN", 42, required=False)
    bic = fields.text("BIC", 11, required=False)
    email = forms.EmailField(label=fields.later(N_("E-mail")), max_length=254, required=False)
    phone = fields.text(N_("Telephone"), 40, required=False)
    reminder_days = fields.text(
        N_("Reminders, days past due"),
        60,
        required=False,
        help_text=N_("Such as 7, 21, 35; empty: the usual ones."),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for purpose, usual in USUAL_NUMBERS.items():
            self.fields[f"{ACCOUNT}{purpose}"] = fields.text(
                ACCOUNTS[purpose], 20, required=False, placeholder=usual
            )

    def clean_reminder_days(self) -> list[int]:
        said = self.cleaned_data["reminder_days"].replace(",", " ").split()
        if not all(word.isdigit() for word in said):
            raise forms.ValidationError(_("Enter whole numbers of days with commas between them: 7, 21, 35."))
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
    jurisdiction = fields.text(N_("Taxed in"), 20, help_text=N_("Such as DE or US-CO."))
    tax_class = fields.choice(
        N_("For supplies that are"), fields.words((one, CLASSES[one]) for one in TAX_CLASSES)
    )
    category = fields.choice(N_("Category"), [(one, _categories(one)) for one in TAX_CATEGORIES])
    rate = fields.percent(N_("Rate, in per cent"))
    name = fields.text(N_("Name on the document"), 60, required=False, help_text=N_("Such as VAT."))
    exemption_reason = fields.text(N_("Why there is no tax"), 200, required=False)
    effective_from = fields.day(N_("In force from"))


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
        "regimes": {one: _(word) for one, word in REGIMES},
        "classes": {one: _(word) for one, word in CLASSES.items()},
        "default": default,
        "form": form or TaxRateForm(initial=initial),
        "today": today,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        "may_manage": request.actor.may(Permission.CONTRACTS_MANAGE),
        "may_issue": request.actor.may(Permission.INVOICES_ISSUE),
        "may_price": request.actor.may(Permission.PRICES_MANAGE),
    }
    return render(request, "billing/issuers.html", page, status=status)


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST", recent=True)
def new_issuer(request: OperatorRequest) -> HttpResponse:
    return _issuer_form(request, "")


@operator_page(Permission.CONTRACTS_MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
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
