"""The journal: every document, month and statement in double entry. All of it in the open transaction of what is booked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from itertools import islice
from uuid import UUID

from django.db import connection

from accounts.ids import uuid7
from billing.commands.numbering import locked_series
from billing.models import Allocation, Document, JournalEntry, JournalLine, RoyaltyStatement
from billing.queries import ledger, settling
from billing.queries.wording import in_operators_words
from billing.rules.ledger import (
    Booked,
    Entry,
    Owed,
    Posting,
    document_entries,
    release_entry,
    royalty_entries,
)
from billing.rules.rating import month_after

AT_ONCE, MANY = 1_000, 100


def book_documents(documents: Sequence[Document]) -> None:
    """Book stored documents, in their order, and let credit notes settle the invoices they correct.

    What more than that a credit note gives back stays its open credit. Booking a document again changes nothing.
    """
    charts = ledger.charts()
    store(
        entry
        for document in documents
        for entry in document_entries(booked(document), charts[document.legal_entity_id])
    )
    _settle_corrected(
        [(document, document.corrects_id) for document in documents if document.corrects_id is not None]
    )


def release_deferred(month: date) -> int:
    """Book what was billed in advance and is earned by the days of a month; gives how many entries that made.

    ``month`` is its first day. Run it when the month closes; a second run makes none.
    """
    charts = ledger.charts()
    end = month_after(month)
    made = (
        release_entry(booked(document), month, end, charts[document.legal_entity_id])
        for document in ledger.deferring_documents(month, end)
    )
    return store(entry for entry in made if entry is not None)


def book_royalty(statement: RoyaltyStatement) -> None:
    """Book what a month's statement says is owed to the network, in the books of the default legal entity."""
    entity_id = ledger.default_entity_id()
    owed = Owed(
        sha256=statement.document_sha256,
        entity_id=entity_id,
        month=statement.month,
        issued_on=statement.issued_on,
        currency=statement.currency,
        royalty=statement.royalty,
        fund=statement.fund,
    )
    store(royalty_entries(owed, ledger.charts()[entity_id]))


def booked(document: Document) -> Booked:
    return Booked(
        document_id=document.id,
        sha256=document.document_sha256,
        customer_id=document.customer_id,
        entity_id=document.legal_entity_id,
        content=document.document,
    )


def store(entries: Iterable[Entry]) -> int:
    """Store the entries that are not there yet, under the next ordinals without a gap; gives how many.

    The lock of the number series is held until commit: ordinals are drawn and committed in order.
    """
    locked_series()
    stored, waiting = 0, iter(entries)
    # Entries are made as they are taken here, and their texts stay: they are in the operator's words.
    with in_operators_words():
        while some := list(islice(waiting, AT_ONCE)):
            stored += _store(some)
    return stored


def _store(entries: Sequence[Entry]) -> int:
    wanted = {entry.key: entry for entry in entries}
    there = ledger.booked_keys(wanted.keys())
    fresh = [entry for key, entry in wanted.items() if key not in there]
    sites = ledger.site_ids({posting.site for entry in fresh for posting in entry.postings if posting.site})
    last = ledger.last_ordinal()
    rows = [_row(entry, ordinal) for ordinal, entry in enumerate(fresh, start=last + 1)]
    JournalEntry.objects.bulk_create(rows)
    if len(rows) >= MANY or (last + len(rows)).bit_length() > last.bit_length():
        _forget_plans()
    JournalLine.objects.bulk_create(
        [
            _line(row.id, number, posting, sites)
            for row, entry in zip(rows, fresh, strict=True)
            for number, posting in enumerate(entry.postings, start=1)
        ],
        batch_size=5_000,
    )
    return len(rows)


def _forget_plans() -> None:
    """Let the checks of references be planned anew, for many rows and each time the journal has doubled.

    Planned while the tables were all but empty, a check goes through all rows of the operator; kept for the session, it
    makes a first large close take a time that grows with its square (measured: 2.7 s for 500 documents after 5,000, 0.2 s so).
    """
    with connection.cursor() as cursor:
        cursor.execute("DISCARD PLANS")


def _row(entry: Entry, ordinal: int) -> JournalEntry:
    return JournalEntry(
        id=uuid7(),
        key=entry.key,
        ordinal=ordinal,
        purpose=entry.purpose,
        entry_on=entry.entry_on,
        currency=entry.currency,
        legal_entity_id=entry.entity_id,
        customer_id=entry.customer_id,
        document_id=entry.document_id,
        payment_id=entry.payment_id,
        refund_id=entry.refund_id,
        text=entry.text[:200],
    )


def _line(entry_id: UUID, number: int, posting: Posting, sites: dict[str, UUID]) -> JournalLine:
    return JournalLine(
        entry_id=entry_id,
        line=number,
        account=posting.account,
        debit=max(posting.amount, 0),
        credit=max(-posting.amount, 0),
        site_id=sites[posting.site] if posting.site else None,
        jurisdiction=posting.jurisdiction,
    )


def _settle_corrected(notes: Sequence[tuple[Document, UUID]]) -> None:
    """Each credit note settles as much as is left of the invoice it corrects, and of itself; both on one account."""
    known = settling.standings(ids=[row_id for note, corrected in notes for row_id in (note.id, corrected)])
    left = {one.id: one.left for one in known}
    made = []
    for note, corrected in notes:
        amount = min(left[note.id], left[corrected])
        if amount > 0:
            left[note.id] -= amount
            left[corrected] -= amount
            made.append(
                Allocation(
                    id=uuid7(),
                    credit_note_id=note.id,
                    document_id=corrected,
                    amount=amount,
                    made_on=note.issued_on,
                )
            )
    Allocation.objects.bulk_create(made)
