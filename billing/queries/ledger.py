"""Reads of the journal, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from uuid import UUID

from django.db import connection
from django.db.models import Count, Max, QuerySet, Sum

import accounts.queries
from accounts import tenancy
from accounts.permissions import Actor
from accounts.tenancy import current_operator_id
from billing.models import Document, JournalEntry, JournalLine, LegalEntity, PriceItem
from billing.queries import naming
from billing.rules.chart import USUAL_CHART, Account, Chart
from billing.rules.journal_export import EntryLine, EntryShown

EVER, ENDLESS = date.min, date.max


@dataclass(frozen=True, slots=True)
class Control:
    """The control totals of entries in one currency: so many, this much to the debit and to the credit."""

    currency: str
    entries: int
    debit: Decimal
    credit: Decimal


@dataclass(frozen=True, slots=True)
class Balance:
    """What an account of one legal entity ("" in the operator's own name) and currency stands at, above zero to the debit."""

    entity_code: str
    account: str
    currency: str
    debit: Decimal
    credit: Decimal

    @property
    def balance(self) -> Decimal:
        return self.debit - self.credit


@dataclass(frozen=True, slots=True)
class Range:
    """Which entries: dated from a day to a day, both included, up to an ordinal."""

    since: date = EVER
    until: date = ENDLESS
    upto: int | None = None


def charts() -> dict[UUID | None, Chart]:
    """The chart of each legal entity; None for the operator in its own name."""
    own = LegalEntity.objects.values_list("id", "accounts")
    return {None: USUAL_CHART, **{entity_id: Chart(numbers) for entity_id, numbers in own}}


def numbers_of_others() -> dict[str, Account]:
    """The accounts that are not of revenue, by the numbers that they have in any chart."""
    return {
        chart[account]: account
        for chart in charts().values()
        for account in Account
        if account is not Account.REVENUE
    }


def revenue_numbers() -> set[str]:
    """The accounts that items of the price list name for their revenue."""
    return set(PriceItem.objects.exclude(revenue_account="").values_list("revenue_account", flat=True))


def has_entries(entity_id: UUID, account: str) -> bool:
    """Whether a legal entity has anything on an account."""
    return JournalLine.objects.filter(entry__legal_entity_id=entity_id, account=account).exists()


def default_entity_id() -> UUID | None:
    """The legal entity that acts where nothing says which; None: the operator in its own name."""
    return LegalEntity.objects.filter(is_default=True).values_list("id", flat=True).first()


def entity_ids() -> dict[str, UUID]:
    """The legal entities by code."""
    return dict(LegalEntity.objects.values_list("code", "id"))


def site_ids(codes: Collection[str]) -> dict[str, UUID]:
    return dict(accounts.queries.sites().filter(code__in=codes).values_list("code", "id"))


def last_ordinal() -> int:
    return JournalEntry.objects.aggregate(last=Max("ordinal"))["last"] or 0


def booked_keys(keys: Collection[str]) -> set[str]:
    return set(JournalEntry.objects.filter(key__in=keys).values_list("key", flat=True))


def entries(wanted: Range = Range()) -> QuerySet[JournalEntry]:
    """The journal's entries in the order they were made."""
    rows = (
        JournalEntry.objects.select_related("legal_entity", "customer", "document")
        .defer("document__document", "document__ubl")
        .order_by("ordinal")
    )
    if wanted.since != EVER:
        rows = rows.filter(entry_on__gte=wanted.since)
    if wanted.until != ENDLESS:
        rows = rows.filter(entry_on__lte=wanted.until)
    return rows if wanted.upto is None else rows.filter(ordinal__lte=wanted.upto)


def lines_of(entry_ids: Collection[UUID]) -> dict[UUID, list[EntryLine]]:
    """The lines of each of these entries in their order."""
    found: dict[UUID, list[EntryLine]] = {entry_id: [] for entry_id in entry_ids}
    rows = JournalLine.objects.filter(entry_id__in=entry_ids).order_by("entry_id", "line")
    for entry_id, line, account, site, jurisdiction, debit, credit in rows.values_list(
        "entry_id", "line", "account", "site__code", "jurisdiction", "debit", "credit"
    ):
        found[entry_id].append(EntryLine(line, account, site or "", jurisdiction, debit, credit))
    return found


def control_totals(wanted: Range = Range()) -> list[Control]:
    """By currency, what the entries of a range come to."""
    rows = JournalLine.objects.filter(entry__in=entries(wanted).order_by().values("id"))
    counted = rows.order_by("entry__currency").values("entry__currency")
    summed = counted.annotate(
        entries=Count("entry", distinct=True), debits=Sum("debit"), credits=Sum("credit")
    )
    return [Control(*row) for row in summed.values_list("entry__currency", "entries", "debits", "credits")]


def balances(*, until: date = ENDLESS) -> list[Balance]:
    """Every account's sums over the entries dated up to a day, by legal entity, account and currency."""
    keys = ("entry__legal_entity__code", "account", "entry__currency")
    rows = JournalLine.objects.filter(entry__entry_on__lte=until).order_by(*keys).values(*keys)
    summed = rows.annotate(debits=Sum("debit"), credits=Sum("credit"))
    return [Balance(row[0] or "", *row[1:]) for row in summed.values_list(*keys, "debits", "credits")]


def unbalanced() -> list[str]:
    """The keys of entries whose lines do not sum to nothing; always none."""
    off = JournalLine.objects.order_by().values("entry__key").annotate(off=Sum("debit") - Sum("credit"))
    return sorted(off.exclude(off=0).values_list("entry__key", flat=True))


# A hand-made credit note's lines have no charge of their own but that of the line they give back of.
_DEFERRING = """
WITH advance AS (
    SELECT l.id, l.document_id, c.ends_before FROM billing_charge c
    JOIN billing_documentline l ON l.operator_id = c.operator_id AND l.charge_id = c.id
    WHERE c.operator_id = %(operator)s AND c.in_advance
), lines AS (
    SELECT document_id, ends_before FROM advance
    UNION ALL
    SELECT l.document_id, a.ends_before FROM advance a
    JOIN billing_documentline l ON l.operator_id = %(operator)s AND l.credits_id = a.id
)
SELECT d.id FROM billing_document d WHERE d.operator_id = %(operator)s AND d.issued_on < %(end)s AND EXISTS (
    SELECT FROM lines WHERE lines.document_id = d.id AND (d.issued_on >= %(start)s OR lines.ends_before > %(start)s)
) ORDER BY d.number
"""
AT_ONCE, READ_AT_ONCE = 200, 1_000


def deferring_documents(start: date, end: date) -> Iterator[Document]:
    """The documents issued before ``end`` that may have revenue in advance for the days of [start, end)."""
    with connection.cursor() as cursor:
        cursor.execute(_DEFERRING, {"operator": current_operator_id(), "start": start, "end": end})
        ids = [row[0] for row in cursor.fetchall()]
    for first in range(0, len(ids), AT_ONCE):
        yield from Document.objects.filter(id__in=ids[first : first + AT_ONCE]).order_by("number")


def shown(rows: Sequence[JournalEntry], system: str = "") -> list[EntryShown]:
    """Entries with their lines as they are handed on; to ``system`` also by its own numbers of the accounts."""
    lines = lines_of([row.id for row in rows])
    if system:
        mapped = naming.mapped(system)
        for row in rows:
            lines[row.id] = [
                replace(line, external_account=mapped.number(row.legal_entity_id, line.account))
                for line in lines[row.id]
            ]
    return [
        EntryShown(
            ordinal=row.ordinal,
            key=row.key,
            purpose=row.purpose,
            entry_on=row.entry_on,
            legal_entity=row.legal_entity.code if row.legal_entity else "",
            customer=row.customer.code if row.customer else "",
            document=row.document.number if row.document else "",
            payment=str(row.payment_id or ""),
            refund=str(row.refund_id or ""),
            text=row.text,
            currency=row.currency,
            lines=tuple(lines[row.id]),
        )
        for row in rows
    ]


def read_through(actor: Actor, wanted: Range, system: str = "") -> Iterator[EntryShown]:
    """Every entry of a range, in scopes of its own that end before the next entries are read: so the reader may be slow.

    Entries only join at the end, and the range ends where the journal did at first: it is the journal of one moment.
    """
    after, upto = 0, wanted.upto
    while True:
        with tenancy.reading(actor):
            upto = last_ordinal() if upto is None else upto
            rows = list(entries(replace(wanted, upto=upto)).filter(ordinal__gt=after)[:READ_AT_ONCE])
            some = shown(rows, system)
        if not some:
            return
        yield from some
        after = some[-1].ordinal
