"""A payment with what became of it; paying money back, taking back what bounced, and undoing what settled wrongly."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands.refunding import NewRefund, record_refund
from billing.commands.returning import release_allocation, return_payment
from billing.models import Allocation
from billing.pages import fields
from billing.pages.documents import show_document
from billing.queries import refunds, settling
from billing.queries.settling import Money, Standing
from billing.rules.documents import amount_text
from billing.rules.vocabulary import METHODS

DONE = {
    "refunded": N_("What was paid back is recorded."),
    "returned": N_("The payment is taken back. What it settled is open again."),
    "released": N_("It no longer settles that document. The money is kept for the customer."),
}


class RefundForm(forms.Form):
    """Money that was paid back."""

    once = forms.UUIDField(widget=forms.HiddenInput)
    paid_on = fields.day(N_("Paid back on"))
    amount = fields.amount(N_("Amount"), decimals=4)
    method = fields.choice(N_("By"), fields.words(METHODS.items()))
    reference = fields.text(
        N_("Reference"), 140, required=False, help_text=N_("As it stands on the transfer.")
    )
    external_id = fields.text(
        N_("The bank's own number of it"),
        80,
        required=False,
        help_text=N_("The same number is recorded once."),
    )

    def new(self, **origin: Any) -> NewRefund:
        """The refund as typed; its id is made with the form, so that sending the form twice records it once."""
        values = dict(self.cleaned_data)
        once = values.pop("once")
        values["external_id"] = values["external_id"] or f"form/{once}"
        return NewRefund(**values, **origin)


class ReturnForm(forms.Form):
    """That the bank took a payment back."""

    returned_on = fields.day(N_("Taken back on"))
    reason = fields.text(N_("Why"), 140, required=False, help_text=N_("As the bank gives it."))
    external_id = fields.text(N_("The bank's own number of it"), 80, required=False)


@operator_page(Permission.PAYMENTS_READ)
def payment(request: OperatorRequest, payment_id: UUID) -> HttpResponse:
    return _show(request, payment_id)


def _show(
    request: OperatorRequest, payment_id: UUID, *, refusal: Refusal | None = None, status: int = 200
) -> HttpResponse:
    with tenancy.reading(request.actor):
        money = settling.standing_of([settling.get_payment(payment_id)])[0]
        rows = settling.allocations_of_payments([payment_id])[payment_id]
        left_again = refunds.refunds_of_payment(payment_id)
    may_record = request.actor.may(Permission.PAYMENTS_RECORD)
    page = {
        "money": money,
        "customer": money.payment.customer,
        "settled": refunds.settlings(rows),
        "refunds": left_again,
        "may_record": may_record,
        "may_return": may_record and money.returned_on is None and money.refunded < money.payment.amount,
        "refusal": refusal,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
    }
    return render(request, "billing/payment_told.html", page, status=status)


@operator_page(Permission.PAYMENTS_RECORD, "GET", "HEAD", "POST")
def refund_payment(request: OperatorRequest, payment_id: UUID) -> HttpResponse:
    """Pay back what a payment keeps, or a part of it."""
    with tenancy.reading(request.actor):
        money = settling.standing_of([settling.get_payment(payment_id)])[0]
    page = {"money": money, "customer": money.payment.customer}
    left = (money.left, money.payment.currency)
    back = f"{reverse('payment', args=[request.operator.slug, payment_id])}?done=refunded"
    return _refund(request, page, left, back, payment_id=payment_id)


@operator_page(Permission.PAYMENTS_RECORD, "GET", "HEAD", "POST")
def refund_credit(request: OperatorRequest, number: str) -> HttpResponse:
    """Pay back what a credit note has left, or a part of it."""
    with tenancy.reading(request.actor):
        note: Standing = refunds.get_credit(number)
    back = f"{reverse('invoice', args=[request.operator.slug, number])}?done=refunded"
    return _refund(request, {"note": note}, (note.left, note.currency), back, credit_note=number)


def _refund(
    request: OperatorRequest, page: dict[str, Any], left: tuple[Decimal, str], back: str, **origin: Any
) -> HttpResponse:
    status = 200
    if request.method != "POST":
        form = RefundForm(initial=_initial(request, *left))
    elif not (form := RefundForm(request.POST)).is_valid():
        status = 422
    else:
        try:
            record_refund(actor=request.actor, refund=form.new(**origin))
        except Refusal as refusal:
            say(form, refusal)
            status = refusal.status
        else:
            return redirect(back)
    page |= {"form": form, "left": left[0], "currency": left[1]}
    return render(request, "billing/refund.html", page, status=status)


def _initial(request: OperatorRequest, left: Decimal, currency: str) -> dict[str, Any]:
    """The form as it comes: all that is left, today."""
    return {
        "once": uuid7(),
        "paid_on": clock.today(request.operator.zone),
        "amount": Decimal(amount_text(left, currency)) if left > 0 else None,
        "method": "transfer",
    }


@operator_page(Permission.PAYMENTS_RECORD, "GET", "HEAD", "POST")
def take_back(request: OperatorRequest, payment_id: UUID) -> HttpResponse:
    """Take back a payment that bounced: what it settled is open again."""
    with tenancy.reading(request.actor):
        money = settling.standing_of([settling.get_payment(payment_id)])[0]
        rows = list(refunds.live_allocations().filter(payment_id=payment_id))
    status = 200
    if request.method != "POST":
        form = ReturnForm(initial={"returned_on": clock.today(request.operator.zone)})
    elif not (form := ReturnForm(request.POST)).is_valid():
        status = 422
    else:
        try:
            return_payment(actor=request.actor, payment_id=payment_id, **form.cleaned_data)
        except Refusal as refusal:
            say(form, refusal)
            status = refusal.status
        else:
            return redirect(f"{reverse('payment', args=[request.operator.slug, payment_id])}?done=returned")
    return render(request, "billing/return.html", _taking(money, rows, form), status=status)


def _taking(money: Money, rows: list[Allocation], form: ReturnForm) -> dict[str, Any]:
    return {
        "money": money,
        "customer": money.payment.customer,
        "amount": money.payment.amount - money.refunded,
        "opened": rows,
        "form": form,
    }


@operator_page(Permission.PAYMENTS_RECORD, "POST")
def release(request: OperatorRequest, allocation_id: UUID) -> HttpResponse:
    """Undo what a payment or a credit note settles of one document, and go back to where its button stood."""
    with tenancy.reading(request.actor):
        row = refunds.get_allocation(allocation_id)
    note, payment_id = row.credit_note, row.payment_id
    try:
        release_allocation(actor=request.actor, allocation_id=allocation_id)
    except Refusal as refusal:
        if note is not None:
            return show_document(request, note.number, refusal=refusal, status=refusal.status)
        assert payment_id is not None, "what settles is of a credit note or of a payment"
        return _show(request, payment_id, refusal=refusal, status=refusal.status)
    name, of = ("payment", payment_id) if note is None else ("invoice", note.number)
    return redirect(f"{reverse(name, args=[request.operator.slug, of])}?done=released")
