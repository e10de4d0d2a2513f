"""The nightly audit: every invariant that stored rows can show, for one operator in one snapshot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import Exists, F, OuterRef, QuerySet, Sum

from accounts import tenancy
from billing.models import (
    Charge,
    CloseInputs,
    Document,
    EventDisposition,
    JournalLine,
    LegalEntity,
    PeriodClose,
    RoyaltyStatement,
)
from billing.queries import settling
from billing.queries.auditing.money import MONEY_STATEMENTS
from billing.queries.auditing.statements import STATEMENTS, Statement
from billing.rules.chart import USUAL_CHART, Account, Chart
from billing.rules.documents import digest
from billing.rules.soundness import document_faults
from servicing.queries import events as log

# What the checks compare with each other, so one moment of all of it.
SNAPSHOT = ("billing_charge", "billing_document", "billing_documentline", "billing_eventdisposition")
DOCUMENTS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Breach:
    """An invariant that a stored row breaks; the sentence names the row."""

    invariant: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Audit:
    """What was found, and how much was looked at."""

    breaches: list[Breach]
    closes: int
    charges: int
    documents: int


def audit(operator_id: UUID) -> Audit:
    """All breaches of one operator's books, in the order of the invariants; reads in a transaction of its own."""
    with tenancy.operator_scope(operator_id, read_only=True, one_snapshot_of=SNAPSHOT):
        found = [
            *(one for statement in (*STATEMENTS, *MONEY_STATEMENTS) for one in _broken(statement)),
            *_dispositions(),
            *_standing(),
            *_documents(),
            *_statements(),
            *_closes(),
        ]
        return Audit(
            sorted(found, key=lambda one: one.invariant),
            closes=PeriodClose.objects.count(),
            charges=Charge.objects.count(),
            documents=Document.objects.count(),
        )


def _broken(statement: Statement) -> Iterator[Breach]:
    with connection.cursor() as cursor:
        cursor.execute(statement.sql, {"operator": tenancy.current_operator_id()})
        names = [column.name for column in cursor.description]
        for row in cursor.fetchall():
            values = dict(zip(names, row, strict=True))
            yield Breach(statement.invariant, statement.sentence.format(**values))


def _dispositions() -> Iterator[Breach]:
    """Every event up to the last cut has a disposition, and none has one that is not in this operator's log."""
    last = PeriodClose.objects.order_by("-month").first()
    if last is None:
        return
    known = EventDisposition.objects.filter(event_id=OuterRef("event_id"))
    missing = log.stored_events().filter(~Exists(known), position__lte=last.cut_position)
    for event_id, position in missing.order_by("position").values_list("event_id", "position"):
        yield Breach(
            3,
            f"Event {event_id}: it stands at {position} of the log, before the last cut, without a disposition.",
        )
    for model, what in ((EventDisposition, "A disposition"), (Charge, "Charge")):
        for row_id, event_id in _of_no_event(model.objects.exclude(event_id=None)):
            yield Breach(14, f"{what} {row_id}: its event {event_id} is not in this operator's log.")


def _of_no_event(rows: QuerySet[Any]) -> QuerySet[Any, Any]:
    mine = log.stored_events().order_by().filter(event_id=OuterRef("event_id"))
    return rows.filter(~Exists(mine)).values_list("id", "event_id")


Sums = dict[tuple[UUID | None, str], Decimal]  # by legal entity and currency
_WHAT = {
    Account.RECEIVABLE: ("Receivables", "are left of the documents"),
    Account.PREPAYMENT: ("Prepayments", "are kept of payments, less than nothing as a liability is"),
}


def _standing() -> Iterator[Breach]:
    """No more settles a document than it comes to; and what is left is what the journal says, by issuer and currency."""
    left: dict[Account, Sums] = {account: defaultdict(Decimal) for account in _WHAT}
    for one in settling.standings():
        left[Account.RECEIVABLE][one.legal_entity_id, one.currency] += (
            -one.left if one.is_credit else one.left
        )
        if one.settled < 0 or one.left < 0:
            yield Breach(9, f"Document {one.number}: {one.settled} settle its {one.payable} {one.currency}.")
    for money in settling.kept_money():
        payment = money.payment
        left[Account.PREPAYMENT][payment.legal_entity_id, payment.currency] -= money.left
    yield from _not_as_booked(left)


def _not_as_booked(left: dict[Account, Sums]) -> Iterator[Breach]:
    booked: dict[Account, Sums] = {account: defaultdict(Decimal) for account in left}
    charts = {entity.id: (entity.code, Chart(entity.accounts)) for entity in LegalEntity.objects.all()}
    charts[None] = ("", USUAL_CHART)
    lines = JournalLine.objects.values("entry__legal_entity_id", "entry__currency", "account")
    for row in lines.order_by().annotate(balance=Sum(F("debit") - F("credit"))):
        issuer = row["entry__legal_entity_id"]
        for account, sums in booked.items():
            if row["account"] == charts[issuer][1][account]:
                sums[issuer, row["entry__currency"]] += row["balance"]
    for account, sums in left.items():
        what, stands = _WHAT[account]
        for issuer, currency in sorted(sums.keys() | booked[account].keys(), key=str):
            wanted, found = sums[issuer, currency], booked[account][issuer, currency]
            if wanted != found:
                name = charts[issuer][0] or "the operator itself"
                yield Breach(6, f"{what} of {name}: the journal has {found} {currency}, {wanted} {stands}.")


def _documents() -> Iterator[Breach]:
    """Digests, chain and figures of every document, read once in the order of their numbers."""
    last: dict[UUID | None, tuple[str, str]] = {}
    rows = Document.objects.exclude(kind="opening").order_by("series_id", "ordinal")
    for row in rows.iterator(chunk_size=DOCUMENTS_AT_ONCE):
        number, previous = last.get(row.series_id, ("", row.previous_sha256))
        if digest(row.document) != row.document_sha256:
            yield Breach(8, f"Document {row.number}: it is not what was issued; its digest is another.")
        if row.previous_sha256 != previous or row.document.get("previous_sha256") != row.previous_sha256:
            yield Breach(
                8, f"Document {row.number}: it does not follow {number or 'the one before'} in its chain."
            )
        yield from _faults(row)
        last[row.series_id] = (row.number, row.document_sha256)


def _faults(row: Document) -> Iterator[Breach]:
    try:
        for fault in document_faults(row.document):
            yield Breach(fault.invariant, fault.sentence)
    except (ArithmeticError, LookupError, TypeError, ValueError) as unreadable:
        yield Breach(1, f"Document {row.number}: its figures can't be read: {unreadable!r}.")


def _statements() -> Iterator[Breach]:
    previous = None
    for row in RoyaltyStatement.objects.order_by("month"):
        name = f"Royalty statement of {row.month:%Y-%m}"
        if digest(row.document) != row.document_sha256:
            yield Breach(8, f"{name}: it is not what was issued; its digest is another.")
        if row.previous_sha256 != (previous or ""):
            yield Breach(8, f"{name}: it does not follow the one before in its chain.")
        previous = row.document_sha256


def _closes() -> Iterator[Breach]:
    """The inputs a close froze are those it was rated with."""
    parts = CloseInputs.objects.annotate(month=F("close__month")).order_by("close__month", "part")
    for row in parts.iterator(chunk_size=1):
        if digest(row.inputs) != row.inputs_sha256:
            yield Breach(4, f"Close of {row.month:%Y-%m}, part {row.part}: its frozen inputs were changed.")
