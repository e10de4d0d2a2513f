"""What a program of the accounts wrote back: money paid back, and what it calls rows and accounts of an operator."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from uuid import UUID, uuid4

from billing.commands.account_maps import map_account
from billing.commands.allocating import allocate_credit
from billing.commands.naming import NewName, set_external_ids
from billing.commands.prices import NewPriceItem, add_price_items
from billing.commands.refunding import NewRefund, record_refund
from billing.queries import refunds
from tests.cast import Cast

APRIL = date(2026, 4, 1)


def written_back(cast: Cast, payment_id: UUID, credit_note: str) -> dict[str, UUID | str]:
    """A refund of a payment, what it and a credit note settle, two names and two mapped accounts; gives one of each.

    The account is one that no other operator has.
    """
    refund = record_refund(
        actor=cast.owner, refund=NewRefund(Decimal(1), date(2026, 5, 21), payment_id=payment_id)
    )
    allocate_credit(actor=cast.owner, credit_note=credit_note, allocations=[("OLD-1", Decimal(2))])
    with cast.reading():
        settled = refunds.live_allocations().filter(payment_id=payment_id).first()
        credited = refunds.live_allocations().filter(credit_note__number=credit_note).first()
    assert settled is not None
    assert credited is not None
    named = {"system": "ledger", "kind": "customer"}
    set_external_ids(
        actor=cast.owner,
        names=[
            NewName("ledger", "customer", cast.customer.id, "D-1001"),
            NewName("ledger", "site", cast.site.id, "Quay"),
        ],
    )
    account = f"4{uuid4().hex[:12]}"
    item = NewPriceItem(
        "mat", "Mat", "event", None, None, event_type="outlet.cleared", revenue_account=account
    )
    add_price_items(actor=cast.owner, items=[item])
    for number, theirs in ((account, "8400"), ("1010", "1200")):
        map_account(actor=cast.owner, system="ledger", account=number, external_account=theirs)
    return {
        **named,
        "object_id": cast.customer.id,
        "account": account,
        "refund_id": refund.id,
        "allocation_id": settled.id,
        "credit_allocation_id": credited.id,
    }
