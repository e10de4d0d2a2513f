"""Issuing what a close charged, in the close's transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial
from typing import Any
from uuid import UUID

from accounts.languages import N_, _
from billing.commands import freezing, numbering
from billing.commands.freezing import Intended, LineRow
from billing.models import Document, NumberSeries, PeriodClose
from billing.projections import storing
from billing.queries import crediting
from billing.rules import giving_back
from billing.rules.documents import Heading, credit_note, invoice
from billing.rules.drafting import Draft, Held, drafts
from billing.rules.giving_back import GivenBack
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Kind, Line

TAKEN_BACK = N_("Work billed before that was corrected or did not take place.")


@dataclass(slots=True)
class Issued:
    """The documents of a part of a close, and the lines that the office has to enter something for first."""

    documents: list[Document] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)


def issue(*, close: PeriodClose, inputs: Inputs, charges: Sequence[tuple[UUID, Line]]) -> Issued:
    """Issue the documents of these charge rows in the open transaction, under the lock of the number series.

    Credit notes for what contracts want given back so, then one invoice per payer, seller, currency, order, tax treatment
    and terms, in the order of the payers' codes. What waits or is held stays an open charge row.
    """
    row_of = {id(line): row_id for row_id, line in charges}
    split = _split([line for _, line in charges], inputs)
    drafted = drafts(split.rest, inputs, month=close.month)
    row_of |= {id(line): row_id for row_id, line in storing.store_charges(close, drafted.added)}
    issued = [
        *_credit_notes(close, split.given, row_of),
        *_invoices(close, inputs, drafted.drafts, row_of),
    ]
    return Issued(issued, drafted.held)


def _split(lines: Sequence[Line], inputs: Inputs) -> giving_back.Split:
    if all(line.kind is not Kind.CREDIT for line in lines):
        return giving_back.Split(rest=list(lines))
    noted = [line for line in lines if giving_back.wants_note(line, inputs)]
    return giving_back.split(lines, inputs, crediting.history(lines, noted, inputs))


def _invoices(
    close: PeriodClose, inputs: Inputs, drafted: Sequence[Draft], row_of: Mapping[int, UUID]
) -> list[Document]:
    by_entity: dict[UUID | None, list[Draft]] = {}
    for draft in drafted:
        by_entity.setdefault(draft.entity.id, []).append(draft)
    issued = []
    for entity_id, some in by_entity.items():
        is_default = entity_id == inputs.entity_of(None).id
        series = numbering.series_of(some[0].entity, "invoice", is_default=is_default)
        issued += freezing.freeze(series, [_intended(close, inputs, draft, row_of) for draft in some])
    return issued


def _intended(close: PeriodClose, inputs: Inputs, draft: Draft, row_of: Mapping[int, UUID]) -> Intended:
    return Intended(
        make=partial(_invoice, close, inputs, draft),
        lines=[LineRow(charge_id=row_of[id(line.line)]) for line in draft.lines],
        customer_id=draft.payer_id,
        legal_entity_id=draft.entity.id,
        close_id=close.id,
        group=draft.group,
    )


def _invoice(close: PeriodClose, inputs: Inputs, draft: Draft, number: str, previous: str) -> dict[str, Any]:
    due_on = close.issued_on + timedelta(days=draft.payment_days)
    return invoice(Heading(number, close.issued_on, close.month, previous, due_on), draft, inputs)


def _credit_notes(
    close: PeriodClose, given: Sequence[GivenBack], row_of: Mapping[int, UUID]
) -> list[Document]:
    if not given:
        return []
    originals = {
        document.id: document
        for document in Document.objects.filter(id__in=[one.document_id for one in given]).select_related(
            "series"
        )
    }
    by_series: dict[UUID, tuple[NumberSeries, list[Intended]]] = {}
    for one in given:
        original = originals[one.document_id]
        series = numbering.credit_series(original.series)
        by_series.setdefault(series.id, (series, []))[1].append(_correcting(close, original, one, row_of))
    return [note for series, intended in by_series.values() for note in freezing.freeze(series, intended)]


def _correcting(
    close: PeriodClose, original: Document, given: GivenBack, row_of: Mapping[int, UUID]
) -> Intended:
    ids = crediting.line_ids(original.id)
    return Intended(
        make=partial(_credit_note, close, original, given),
        lines=[
            LineRow(row_of[id(line)], ids[one.line], -1)
            for one, line in zip(given.credit.lines, given.lines, strict=True)
        ],
        customer_id=original.customer_id,
        legal_entity_id=original.legal_entity_id,
        close_id=close.id,
        corrects_id=original.id,
        group=hashlib.sha256(f"corrects|{original.id}".encode()).hexdigest(),
    )


def _credit_note(
    close: PeriodClose, original: Document, given: GivenBack, number: str, previous: str
) -> dict[str, Any]:
    heading = Heading(number, close.issued_on, close.month, previous, reason=_(TAKEN_BACK))
    charges = {position: line.charge for position, line in enumerate(given.lines, start=1)}
    return credit_note(heading, original.document, given.credit, charges)
