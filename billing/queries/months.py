"""The money of months, inside an operator's scope: what was billed, given back and paid, what is owed, who stayed.

Amounts are net but what was paid and what is owed. The rows behind an amount come to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from django.db.models import Case, DateField, F, Q, QuerySet, Sum, Value, When
from django.db.models.functions import Cast, Coalesce, TruncMonth

import accounts.queries
from billing.models import Document, JournalLine, Payment, Refund
from billing.queries import ledger, revenue, settling
from billing.rules.chart import Account
from billing.rules.months import month_after

NOTHING = Decimal(0)
YEAR = 12


class MoneyFigure(StrEnum):
    """The amounts of the month sheet, as its addresses name them."""

    INVOICED = "invoiced"
    GIVEN_BACK = "given-back"
    PAID = "paid"
    OWED = "owed"
    KEPT = "kept"


@dataclass(frozen=True, slots=True)
class MoneyMonth:
    """A month in one currency. ``owed``: at its end, documents less what had settled them and credit notes still to use.

    ``kept`` of ``kept_base``: what the customers billed in the same month of the year before were billed now, and then.
    """

    month: date
    invoiced: Decimal
    given_back: Decimal
    paid: Decimal
    owed: Decimal
    kept: Decimal
    kept_base: Decimal

    @property
    def net(self) -> Decimal:
        return self.invoiced - self.given_back


@dataclass(frozen=True, slots=True)
class MoneyRow:
    """A document, a payment, or a customer, and what it adds; ``before``: what a customer was billed a year earlier."""

    adds: Decimal
    customer_code: str
    customer_name: str
    on: date | None = None
    number: str = ""
    before: Decimal | None = None


def money_months(currency: str, months: Sequence[date], last_on: date) -> list[MoneyMonth]:
    """These months in order, none of their days after ``last_on`` but in what was billed for them."""
    billed = {one.month: one for one in revenue.billed_months(currency, months[0])}
    paid = _paid(currency, months[0], last_on)
    owed = _owed(currency, months, last_on)
    nets = _by_customer(currency, months[0])
    found = []
    for at, month in enumerate(months):
        one = billed.get(month)
        base = nets.get(months[at - YEAR], {}) if at >= YEAR else {}
        here = nets.get(month, {})
        stayed = [customer_id for customer_id, amount in base.items() if amount > 0]
        found.append(
            MoneyMonth(
                month,
                one.invoiced if one else NOTHING,
                one.given_back if one else NOTHING,
                paid.get(month, NOTHING),
                owed[at],
                sum((here.get(customer_id, NOTHING) for customer_id in stayed), NOTHING),
                sum((base[customer_id] for customer_id in stayed), NOTHING),
            )
        )
    return found


def money_rows(figure: MoneyFigure, currency: str, month: date, last_on: date) -> list[MoneyRow]:
    """The rows behind an amount of a month, the largest first."""
    if figure is MoneyFigure.KEPT:
        rows = _kept_rows(currency, month)
    elif figure is MoneyFigure.PAID:
        rows = _paid_rows(currency, month, last_on)
    elif figure is MoneyFigure.OWED:
        rows = _owed_rows(currency, last_on)
    else:
        rows = _document_rows(figure, currency, month)
    return sorted(rows, key=lambda row: (-row.adds, row.customer_code, row.number))


_OF_MONTH = Coalesce("close__month", Cast(TruncMonth("issued_on"), DateField()))


def _document_rows(figure: MoneyFigure, currency: str, month: date) -> list[MoneyRow]:
    rows = Document.objects.exclude(kind="opening").filter(currency=currency).annotate(of_month=_OF_MONTH)
    rows = rows.filter(of_month=month)
    is_credit = Q(kind="credit_note")
    rows = rows.filter(is_credit if figure is MoneyFigure.GIVEN_BACK else ~is_credit)
    columns = rows.values_list("net", F("customer__code"), F("customer__name"), "issued_on", "number")
    return [MoneyRow(*row) for row in columns]


def _came(currency: str, since: date, until: date) -> QuerySet[Payment]:
    return Payment.objects.filter(currency=currency, received_on__gte=since, received_on__lte=until)


def _left_again(currency: str, since: date, until: date) -> QuerySet[Refund]:
    return Refund.objects.filter(currency=currency, paid_on__gte=since, paid_on__lte=until)


def _paid_rows(currency: str, month: date, last_on: date) -> list[MoneyRow]:
    until = min(last_on, month_after(month) - timedelta(days=1))
    came = _came(currency, month, until).select_related("customer").order_by("received_on", "id")
    left = _left_again(currency, month, until).select_related("customer").order_by("paid_on", "id")
    return [
        MoneyRow(one.amount, one.customer.code, one.customer.name, one.received_on, one.reference)
        for one in came
    ] + [
        MoneyRow(-one.amount, one.customer.code, one.customer.name, one.paid_on, one.reference)
        for one in left
    ]


def _owed_rows(currency: str, last_on: date) -> list[MoneyRow]:
    found = [one for one in settling.open_documents(at=last_on) if one.currency == currency]
    customers = accounts.queries.customers_in({one.customer_id for one in found})
    return [
        MoneyRow(
            -one.left if one.is_credit else one.left,
            customers[one.customer_id].code,
            customers[one.customer_id].name,
            one.issued_on,
            one.number,
        )
        for one in found
    ]


def _kept_rows(currency: str, month: date) -> list[MoneyRow]:
    ago = month.replace(year=month.year - 1)
    nets = _by_customer(currency, ago)
    base, here = nets.get(ago, {}), nets.get(month, {})
    customers = accounts.queries.customers_in(set(base))
    return [
        MoneyRow(
            here.get(customer_id, NOTHING),
            customers[customer_id].code,
            customers[customer_id].name,
            before=before,
        )
        for customer_id, before in base.items()
        if before > 0
    ]


def _by_customer(currency: str, since: date) -> dict[date, dict[UUID, Decimal]]:
    """By month and customer, what was invoiced less what was given back, net."""
    signed = Case(When(kind="credit_note", then=-F("net")), default=F("net"))
    rows = (
        Document.objects.exclude(kind="opening")
        .filter(currency=currency)
        .annotate(of_month=_OF_MONTH)
        .filter(of_month__gte=since)
        .order_by()
        .values("of_month", "customer_id")
        .annotate(amount=Sum(signed))
    )
    found: dict[date, dict[UUID, Decimal]] = {}
    for month, customer_id, amount in rows.values_list("of_month", "customer_id", "amount"):
        found.setdefault(month, {})[customer_id] = amount
    return found


def _paid(currency: str, since: date, last_on: date) -> dict[date, Decimal]:
    """By month, what came less what was paid back or taken back."""
    came = _came(currency, since, last_on).order_by().values(month=TruncMonth("received_on"))
    left = _left_again(currency, since, last_on).order_by().values(month=TruncMonth("paid_on"))
    found = dict(came.annotate(paid=Sum("amount")).values_list("month", "paid"))
    for month, amount in left.annotate(paid=Sum("amount")).values_list("month", "paid"):
        found[month] = found.get(month, NOTHING) - amount
    return found


def _owed(currency: str, months: Sequence[date], last_on: date) -> list[Decimal]:
    """What the journal's receivables stand at when each month ends."""
    receivable = Q()
    for entity_id, chart in ledger.charts().items():
        receivable |= Q(entry__legal_entity_id=entity_id, account=chart[Account.RECEIVABLE])
    rows = JournalLine.objects.filter(receivable, entry__currency=currency, entry__entry_on__lte=last_on)
    changes = (
        rows.order_by()
        .values(month=Cast(TruncMonth("entry__entry_on"), DateField()))
        .annotate(change=Coalesce(Sum("debit"), Value(NOTHING)) - Coalesce(Sum("credit"), Value(NOTHING)))
        .values_list("month", "change")
    )
    of_month = dict(changes)
    return [sum((change for month, change in of_month.items() if month <= upto), NOTHING) for upto in months]
