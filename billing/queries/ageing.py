"""The debtors' ageing, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet

import accounts.queries
from billing.models import Document, Payment
from billing.queries import settling
from billing.rules.ageing import Aged, Band, Item, aged


@dataclass(frozen=True, slots=True)
class Debtor:
    """A customer and what it owes, a row a currency."""

    id: UUID
    code: str
    name: str
    rows: tuple[Aged, ...]


def debtors() -> QuerySet[Any]:
    """The customers that ever had a document or paid something, by code."""
    rows = (
        Document.objects.filter(customer_id=OuterRef("id")),
        Payment.objects.filter(customer_id=OuterRef("id")),
    )
    return accounts.queries.customers().filter(Exists(rows[0]) | Exists(rows[1]))


def ageing(*, at: date, customer_ids: Collection[UUID] | None = None) -> list[Debtor]:
    """Who owes what at a day, and since when, by customer code; of all customers or of these. Who owes nothing is left out.

    Documents issued and money received up to that day, as far as they had settled each other by then.
    """
    by_customer: dict[UUID, list[Aged]] = defaultdict(list)
    for row in aged(_items(at, customer_ids), at).values():
        if row.owed or row.credit:
            by_customer[row.customer_id].append(row)
    customers = accounts.queries.customers_in(by_customer)
    return sorted(
        (
            Debtor(
                customer_id,
                customers[customer_id].code,
                customers[customer_id].name,
                tuple(sorted(rows, key=lambda row: row.currency)),
            )
            for customer_id, rows in by_customer.items()
        ),
        key=lambda debtor: debtor.code,
    )


def totals(debtors: Iterable[Debtor]) -> dict[str, dict[Band | str, Decimal]]:
    """By currency the sums of each band, and of ``credit`` and ``balance``."""
    sums: dict[str, dict[Band | str, Decimal]] = {}
    for row in (row for debtor in debtors for row in debtor.rows):
        of = sums.setdefault(row.currency, dict.fromkeys([*Band, "credit", "balance"], Decimal(0)))
        for name, amount in [*row.bands.items(), ("credit", row.credit), ("balance", row.balance)]:
            of[name] += amount
    return dict(sorted(sums.items()))


def _items(at: date, customer_ids: Collection[UUID] | None) -> Iterable[Item]:
    for one in settling.open_documents(customer_ids=customer_ids, at=at):
        yield Item(one.customer_id, one.currency, None if one.is_credit else one.due_on, one.left)
    for money in settling.kept_money(customer_ids=customer_ids, at=at):
        yield Item(money.payment.customer_id, money.payment.currency, None, money.left)
