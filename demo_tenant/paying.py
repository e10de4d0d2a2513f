"""How customers of the invented world pay: mostly in time, some in part or too much, and now and then money comes back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from accounts import tenancy
from accounts.permissions import Actor
from billing.commands.payments import NewPayment, record_payments
from billing.commands.refunding import NewRefund, record_refund
from billing.commands.returning import return_payment
from billing.queries import settling
from billing.queries.settling import Standing
from demo_tenant.setting import Setting

# A customer pays so many days after a document is due (least, most), with this weight; None: never.
PAYING = (((-20, 0), 0.72), ((1, 12), 0.17), ((13, 45), 0.08), (None, 0.03))
PART_PAID, OVERPAID, BOUNCED = 0.03, 0.02, 0.01
TOO_MUCH = Decimal(5)
CENT = Decimal("0.01")
BOUNCES_AFTER_DAYS = 4
KEPT_DAYS = 40


def take_money(bookkeeper: Actor, setting: Setting, debts: Sequence[Standing], today: date) -> set[str]:
    """Record what came in for these debts since the last time; gives the numbers that something was paid of."""
    wanted = [payment for debt in debts if (payment := _payment(setting, debt, today)) is not None]
    with tenancy.reading(bookkeeper):
        names = {payment.external_id for payment in wanted}
        known = set(settling.payments_named(names).values_list("external_id", flat=True))
    # One that bounced is not paid by the same hand again.
    if found := [payment for payment in wanted if payment.external_id not in known]:
        recorded = record_payments(actor=bookkeeper, payments=found)
        for got in recorded:
            returned_on = got.received_on + timedelta(days=BOUNCES_AFTER_DAYS)
            if returned_on < today and setting.stream("bounced", got.external_id).chance(BOUNCED):
                return_payment(
                    actor=bookkeeper,
                    payment_id=got.id,
                    returned_on=returned_on,
                    reason="The account has not enough on it",
                )
    return {number for payment in wanted for number, _ in payment.allocations}


def pay_back(bookkeeper: Actor, setting: Setting, today: date) -> None:
    """What has been kept of a payment for a while goes back to who paid too much."""
    with tenancy.reading(bookkeeper):
        kept = settling.kept_money()
    for money in kept:
        if money.left > 0 and money.payment.received_on + timedelta(days=KEPT_DAYS) < today:
            record_refund(
                actor=bookkeeper,
                refund=NewRefund(
                    payment_id=money.payment.id,
                    amount=money.left,
                    paid_on=today,
                    reference="Paid too much",
                    external_id=f"back-{money.payment.external_id}"[:80],
                ),
            )


def _payment(setting: Setting, debt: Standing, today: date) -> NewPayment | None:
    stream = setting.stream("payment", debt.number)
    days = stream.weighted(PAYING)
    if days is None:
        return None
    paid_on = max(debt.issued_on, debt.due_on + timedelta(days=stream.whole(*days)))
    amount = debt.left
    if stream.chance(PART_PAID):
        if debt.settled:
            return None
        amount = (amount / 2).quantize(CENT, rounding=ROUND_HALF_UP)
    if paid_on >= today or amount <= 0:
        return None
    more = TOO_MUCH if setting.stream("overpaid", debt.number).chance(OVERPAID) else Decimal(0)
    return NewPayment(
        customer_id=debt.customer_id,
        received_on=paid_on,
        amount=amount + more,
        currency=debt.currency,
        reference=debt.number,
        external_id=f"{setting.plan.prefix}-{debt.number}",
        allocations=[(debt.number, amount)],
    )
