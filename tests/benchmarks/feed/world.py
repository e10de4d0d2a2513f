"""An operator with a closed month, its invoices paid, and a feed in which the kinds of things are mixed."""

from __future__ import annotations

import random
from typing import Any
from uuid import UUID, uuid4

import psycopg

from accounts import clock, tenancy
from accounts.permissions import system_actor
from billing.commands.payments import NewPayment, record_payments
from billing.queries import settling
from tests.benchmarks.billing.running import ended, started
from tests.benchmarks.billing.world import CLOSED_AT, make_world
from tests.benchmarks.rounds import SEED

AT_ONCE = 500

# The world is written without triggers; what a customer is, the feed learns when it changes.
_TELL = "UPDATE accounts_customer SET address = '2 Quay' WHERE operator_id = %s"
_MIX = """
UPDATE billing_change c SET position = m.position FROM (
    SELECT kind, object_id, row_number() OVER (ORDER BY md5(object_id::text)) AS position FROM billing_change
    WHERE operator_id = %(operator)s
) m WHERE c.operator_id = %(operator)s AND c.kind = m.kind AND c.object_id = m.object_id
"""
_APART = "UPDATE billing_change SET position = position + 1000000000 WHERE operator_id = %(operator)s"


def feed_world(superuser: psycopg.Connection[Any], sites: int) -> UUID:
    """``sites`` is a multiple of 100; a tenth as many customers, invoices and payments, and two entries for each."""
    operator_id = uuid4()
    make_world(superuser, operator_id, sites)
    closed = ended(started(operator_id))
    assert not closed.refused, closed.refused
    _pay(operator_id)
    superuser.execute(_TELL, [operator_id])
    for statement in (_APART, _MIX):
        superuser.execute(statement, {"operator": operator_id})
    return operator_id


def _pay(operator_id: UUID) -> None:
    """Each invoice, by a payment of its own; every tenth is paid too much."""
    actor, draw = system_actor(operator_id), random.Random(SEED)
    with tenancy.reading(actor):
        debts = settling.open_debts()
    new = [
        NewPayment(
            debt.customer_id,
            debt.issued_on,
            debt.left + draw.choice((0,) * 9 + (10,)),
            currency=debt.currency,
            reference=debt.number,
            external_id=f"B-{number}",
            allocations=[(debt.number, debt.left)],
        )
        for number, debt in enumerate(debts)
    ]
    with clock.playing(CLOSED_AT):
        for first in range(0, len(new), AT_ONCE):
            record_payments(actor=actor, payments=new[first : first + AT_ONCE])
