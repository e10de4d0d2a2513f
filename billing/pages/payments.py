"""Recording what a customer paid, and which of its open documents that settles."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import NotFound, Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import allocating, payments
from billing.commands.payments import NewPayment
from billing.pages import fields
from billing.queries import customer_accounts, parties, settling
from billing.queries.settling import Money, Standing
from billing.rules.documents import amount_text
from billing.rules.vocabulary import METHODS

SHOWN = 100
OLDEST, CHOSEN, KEPT = "oldest", "chosen", "kept"
SPREADS = [
    (OLDEST, N_("What is oldest first")),
    (CHOSEN, N_("As written beside the documents")),
    (KEPT, N_("Nothing yet: it is kept for the customer")),
]
PART = "part-"


class PartsForm(forms.Form):
    """How money settles open documents: the oldest first, or an amount beside each, or nothing yet."""

    def __init__(self, *args: Any, debts: Sequence[Standing], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.debts = debts
        spread = fields.choice(N_("It settles"), fields.words(SPREADS))
        self.fields["spread"] = spread
        for debt in debts:
            self.fields[f"{PART}{debt.id}"] = fields.amount(
                _("Of {number}", number=debt.number), required=False, decimals=4
            )

    @property
    def rows(self) -> list[tuple[Standing, forms.BoundField]]:
        return [(debt, self[f"{PART}{debt.id}"]) for debt in self.debts]

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        typed = any(values.get(f"{PART}{debt.id}") for debt in self.debts)
        if values.get("spread") in {OLDEST, KEPT} and typed:
            self.add_error("spread", _("Amounts stand beside documents below. Choose those, or empty them."))
        return values

    def parts(self, amount: Decimal, currency: str) -> list[tuple[str, Decimal]]:
        """Which document is settled with how much."""
        spread = self.cleaned_data["spread"]
        if spread == KEPT:
            return []
        if spread == OLDEST:
            return oldest_first(amount, [debt for debt in self.debts if debt.currency == currency])
        typed = ((debt.number, self.cleaned_data[f"{PART}{debt.id}"]) for debt in self.debts)
        return [(number, part) for number, part in typed if part]

    def say(self, refusal: Refusal, parts: Sequence[tuple[str, Decimal]]) -> None:
        """A problem of an allocation beside its document, any other by its field's name."""
        ids = {debt.number: f"{PART}{debt.id}" for debt in self.debts}
        for problem in refusal.errors:
            words = problem.pointer.split("/")
            if "allocations" in words and words[-1] != "allocations":
                at = int(words[words.index("allocations") + 1])
                self.add_error(ids.get(parts[at][0]), problem.detail)
                return
        say(self, refusal)


class PaymentForm(PartsForm):
    once = forms.UUIDField(widget=forms.HiddenInput)
    received_on = fields.day(N_("Received on"))
    amount = fields.amount(N_("Amount"), decimals=4)
    method = fields.choice(N_("By"), fields.words(METHODS.items()))
    reference = fields.text(N_("Reference"), 140, required=False, help_text=N_("As the payer wrote it."))
    external_id = fields.text(
        N_("The bank's own number of it"),
        80,
        required=False,
        help_text=N_("The same number is recorded once."),
    )

    def __init__(self, *args: Any, currencies: Sequence[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["currency"] = fields.choice(N_("Currency"), [(one, one) for one in currencies])
        self.order_fields(["received_on", "amount", "currency", "method", "reference", "external_id"])

    @property
    def own_fields(self) -> list[forms.BoundField]:
        return [field for field in self.visible_fields() if not field.name.startswith((PART, "spread"))]


def oldest_first(amount: Decimal, debts: Sequence[Standing]) -> list[tuple[str, Decimal]]:
    """An amount over debts in their order, each as far as it is owed; what is left over settles nothing."""
    found = []
    for debt in debts:
        part = min(amount, debt.left)
        if part > 0:
            found.append((debt.number, part))
            amount -= part
    return found


@operator_page(Permission.PAYMENTS_RECORD, "GET", "HEAD", "POST")
def record_payment(request: OperatorRequest, code: str) -> HttpResponse:
    """A payment of a customer. Its id is made with the form, so that sending the form twice records it once."""
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        debts = settling.open_debts(customer_ids=[customer.id])[:SHOWN]
        usual = parties.default_entity().currency
    currencies = sorted({usual, *(debt.currency for debt in debts)})
    choices: dict[str, Any] = {"debts": debts, "currencies": currencies}
    if request.method != "POST":
        form = PaymentForm(initial=_initial(request, debts, usual), **choices)
        return _show(request, customer, form)
    form = PaymentForm(request.POST, **choices)
    if not form.is_valid():
        return _show(request, customer, form, status=422)
    values = form.cleaned_data
    done = f"{reverse('customer-account', args=[request.operator.slug, code])}?done=paid"
    known_as = values["external_id"] or f"form/{values['once']}"
    with tenancy.reading(request.actor):
        # The same form again: what it settled is no longer open, so it would be spread over other documents now.
        if not values["external_id"] and settling.payments_named([known_as]).exists():
            return redirect(done)
    parts = form.parts(values["amount"], values["currency"])
    payment = NewPayment(
        customer_id=customer.id,
        external_id=known_as,
        allocations=parts,
        **{name: values[name] for name in ("received_on", "amount", "currency", "method", "reference")},
    )
    try:
        payments.record_payment(actor=request.actor, payment=payment)
    except Refusal as refusal:
        form.say(refusal, parts)
        return _show(request, customer, form, status=refusal.status)
    return redirect(done)


def _initial(request: OperatorRequest, debts: Sequence[Standing], usual: str) -> dict[str, Any]:
    """The form as it comes: today, and the document that the address names settled whole."""
    initial: dict[str, Any] = {
        "once": uuid7(),
        "received_on": clock.today(request.operator.zone),
        "currency": debts[0].currency if debts else usual,
        "method": "transfer",
        "spread": OLDEST,
    }
    asked = next((debt for debt in debts if debt.number == request.GET.get("document")), None)
    if asked is not None:
        left = Decimal(amount_text(asked.left, asked.currency))
        initial |= {
            "amount": left,
            "currency": asked.currency,
            "spread": CHOSEN,
            f"{PART}{asked.id}": left,
        }
    return initial


def _show(request: OperatorRequest, customer: Any, form: PaymentForm, status: int = 200) -> HttpResponse:
    page = {"customer": customer, "form": form, "today": clock.today(request.operator.zone)}
    return render(request, "billing/payment.html", page, status=status)


@operator_page(Permission.PAYMENTS_RECORD, "GET", "HEAD", "POST")
def settle_payment(request: OperatorRequest, code: str, payment_id: UUID) -> HttpResponse:
    """Let what is kept of a payment settle documents."""
    with tenancy.reading(request.actor):
        customer = customer_accounts.get_customer(code)
        kept = settling.standing_of([settling.get_payment(payment_id)])[0]
        if kept.payment.customer_id != customer.id:
            raise NotFound(_("There is no such payment of this customer."))
        debts = settling.open_debts(customer_ids=[customer.id])[:SHOWN]
        debts = [debt for debt in debts if debt.currency == kept.payment.currency]
    if request.method != "POST":
        return _show_settling(request, customer, kept, PartsForm(debts=debts, initial={"spread": OLDEST}))
    form = PartsForm(request.POST, debts=debts)
    if not form.is_valid():
        return _show_settling(request, customer, kept, form, status=422)
    parts = form.parts(kept.left, kept.payment.currency)
    try:
        allocating.allocate_payment(actor=request.actor, payment_id=payment_id, allocations=parts)
    except Refusal as refusal:
        form.say(refusal, parts)
        return _show_settling(request, customer, kept, form, status=refusal.status)
    return redirect(f"{reverse('customer-account', args=[request.operator.slug, code])}?done=settled")


def _show_settling(
    request: OperatorRequest, customer: Any, kept: Money, form: PartsForm, status: int = 200
) -> HttpResponse:
    today = clock.today(request.operator.zone)
    page = {"customer": customer, "form": form, "kept": kept, "today": today}
    return render(request, "billing/settle.html", page, status=status)
