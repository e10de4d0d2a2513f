"""Reads of what the network was promised and was stated, and of the documents that a month's base is made of."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import Count, F, Max, Q, QuerySet, Sum

from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.languages import _
from accounts.tenancy import current_operator_id
from billing.models import Allocation, Document, Refund, RoyaltyStatement, RoyaltyTerms
from billing.queries import settling
from billing.rules.months import month_after
from billing.rules.royalty import Basis, Row, Terms, share_paid, tiers_read

BILLING_KINDS = ("invoice", "credit_note")


def terms_rows() -> QuerySet[RoyaltyTerms]:
    """The terms agreed with the network, the earliest first."""
    return RoyaltyTerms.objects.order_by("effective_from")


def terms_in(month: date) -> RoyaltyTerms | None:
    """The terms in force in a month; None before the first."""
    return RoyaltyTerms.objects.filter(effective_from__lte=month).order_by("-effective_from").first()


def as_terms(row: RoyaltyTerms) -> Terms:
    return Terms(
        row.effective_from,
        row.network_name,
        Basis(row.basis),
        tiers_read(row.tiers),
        row.minimum,
        row.fund_percent,
        row.currency,
    )


def statements() -> QuerySet[RoyaltyStatement]:
    """The statements, the latest first, without their documents."""
    return RoyaltyStatement.objects.defer("document").order_by("-month")


def get_statement(month: date) -> RoyaltyStatement:
    found = RoyaltyStatement.objects.filter(month=month).first()
    if found is None:
        raise NotFound(_("There is no royalty statement here for this month."))
    return found


def last_statement() -> RoyaltyStatement | None:
    return statements().first()


def neighbours(month: date) -> tuple[date | None, date | None]:
    """The months stated before and after one."""
    months = RoyaltyStatement.objects.order_by("month").values_list("month", flat=True)
    return months.filter(month__lt=month).last(), months.filter(month__gt=month).first()


def next_month() -> date | None:
    """The month to be stated next: after the last one, else the first that has terms; None without terms."""
    last = last_statement()
    if last is not None:
        return month_after(last.month)
    return terms_rows().values_list("effective_from", flat=True).first()


def rows_of(month: date, terms: Terms, previous: RoyaltyStatement | None) -> list[Row]:
    """The documents that make up a month's base in the terms' currency, by day and number.

    A document counts by the basis of the month that it was issued in: under billed then and whole, under collected
    whenever it is paid. So no document counts twice or never when the basis changes. Of one issued before the first
    terms, payments count if those are of what was collected.
    """
    rows = [*_billed_rows(month, terms), *_collected_rows(month, terms, previous)]
    return sorted(rows, key=lambda row: (row.on, row.number, row.kind))


def _issued_under(basis: Basis, column: str = "issued_on") -> Q:
    """Documents issued in the months of a basis; ``column`` has the day."""
    rows = list(terms_rows().values_list("effective_from", "basis"))
    asked = Q(pk__in=[])
    for place, ((start, its_basis), (end, _basis)) in enumerate(pairwise([*rows, (None, "")])):
        if its_basis == basis:
            issued = Q(**{f"{column}__gte": date.min if place == 0 else start})
            asked |= issued if end is None else issued & Q(**{f"{column}__lt": end})
    return asked


def _billed_rows(month: date, terms: Terms) -> Iterable[Row]:
    """What was issued in the month; a credit note counts if the invoice that it corrects did."""
    own = _issued_under(Basis.BILLED)
    corrected = Q(kind="credit_note", corrects__isnull=False)
    found = Document.objects.filter(
        (own & ~corrected) | (corrected & _issued_under(Basis.BILLED, "corrects__issued_on")),
        kind__in=BILLING_KINDS,
        currency=terms.currency,
        issued_on__gte=month,
        issued_on__lt=month_after(month),
    )
    for kind, number, issued_on, net in found.values_list("kind", "number", "issued_on", "net"):
        yield Row(kind, number, issued_on, -net if kind == "credit_note" else net)


def _collected_rows(month: date, terms: Terms, previous: RoyaltyStatement | None) -> Iterable[Row]:
    """What was paid of each invoice until the month's end, less what was paid back of its credit notes.

    Each less what was stated before. What is undone of a payment lowers the sum of its invoice.
    """
    end, issued = month_after(month), _issued_under(Basis.COLLECTED)
    invoices = Document.objects.filter(issued, kind="invoice", currency=terms.currency)
    came = Allocation.objects.filter(payment__isnull=False, made_on__lt=end)
    yield from _shares(
        "payment", invoices, came.annotate(of=F("document_id"), on=F("made_on")), month, previous
    )
    # A credit note counts if the invoice that it corrects does.
    corrected = Q(corrects__isnull=False)
    counted = (issued & ~corrected) | (corrected & _issued_under(Basis.COLLECTED, "corrects__issued_on"))
    notes = Document.objects.filter(counted, kind="credit_note", currency=terms.currency)
    left = Refund.objects.filter(credit_note__isnull=False, paid_on__lt=end)
    yield from _shares(
        "refund", notes, left.annotate(of=F("credit_note_id"), on=F("paid_on")), month, previous
    )


def _shares(
    kind: str,
    documents: QuerySet[Document],
    paid: QuerySet[Any],
    month: date,
    previous: RoyaltyStatement | None,
) -> Iterable[Row]:
    """A row for each document of which money moved: its net's share of it, less what was stated; a refund below zero.

    ``paid``: rows with ``of``, the document's id, ``on`` and ``amount``.
    """
    new = Q(on__gte=month)
    if previous is not None:
        # Also what was written down after the last statement for an earlier day.
        new |= Q(id__gte=_first_id_of(previous.issued_on))
    nets = dict(documents.filter(id__in=paid.filter(new).values("of")).values_list("id", "net"))
    sums = _paid_of(paid, list(nets), _first_month() or month)
    debts = settling.standings(ids=list(nets))
    stated = _stated_of(kind, [debt.number for debt in debts])
    sign = -1 if kind == "refund" else 1
    for debt in debts:
        before, until, last_on = sums[debt.id]
        amounts = [share_paid(nets[debt.id], debt.payable, paid, debt.currency) for paid in (before, until)]
        amount = sign * (amounts[1] - amounts[0]) - stated.get(debt.number, Decimal(0))
        if amount:
            yield Row(kind, debt.number, last_on, amount)


def _first_month() -> date | None:
    return RoyaltyStatement.objects.order_by("month").values_list("month", flat=True).first()


def _first_id_of(day: date) -> UUID:
    """No row made on this day or later, in whatever zone, has a lower id: ids begin with their instant."""
    return uuid7(datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(days=1), bytes(10))


def _paid_of(
    paid: QuerySet[Any], ids: Collection[UUID], first: date
) -> dict[UUID, tuple[Decimal, Decimal, date]]:
    """Per document: paid before the first month that was ever stated, paid until now, and when last."""
    rows = (
        paid.filter(of__in=ids)
        .order_by()
        .values("of")
        .annotate(
            before=Sum("amount", filter=Q(on__lt=first), default=Decimal(0)),
            until=Sum("amount"),
            last_on=Max("on"),
        )
    )
    return {row["of"]: (row["before"], row["until"], row["last_on"]) for row in rows}


def _stated_of(kind: str, numbers: Sequence[str]) -> dict[str, Decimal]:
    """What the statements so far took as paid, or as paid back, of these documents."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT line ->> 'number', sum((line ->> 'amount')::numeric) FROM billing_royaltystatement s "
            "CROSS JOIN LATERAL jsonb_array_elements(s.document -> 'rows') line "
            "WHERE s.operator_id = %s AND line ->> 'kind' = %s AND line ->> 'number' = ANY(%s) GROUP BY 1",
            [current_operator_id(), kind, list(numbers)],
        )
        return dict(cursor.fetchall())


def brought_forward(month: date, currency: str) -> Decimal:
    """What was paid in a month of debts that the operator brought with it: of no base, since their tax is not known here."""
    paid = Allocation.objects.filter(
        payment__isnull=False,
        document__kind="opening",
        document__currency=currency,
        made_on__gte=month,
        made_on__lt=month_after(month),
    )
    return paid.aggregate(amount=Sum("amount", default=Decimal(0)))["amount"]


def other_currencies(month: date, currency: str) -> tuple[tuple[str, int, Decimal], ...]:
    """Documents of a month that no statement in ``currency`` can hold: code, how many, and their net."""
    rows = (
        Document.objects.filter(
            kind__in=BILLING_KINDS, issued_on__gte=month, issued_on__lt=month_after(month)
        )
        .exclude(currency=currency)
        .order_by("currency")
        .values("currency")
        .annotate(
            count=Count("id"),
            given=Sum("net", filter=Q(kind="invoice"), default=Decimal(0)),
            taken=Sum("net", filter=Q(kind="credit_note"), default=Decimal(0)),
        )
    )
    return tuple((row["currency"], row["count"], row["given"] - row["taken"]) for row in rows)
