"""Documents become what never changes: numbered, frozen byte for byte, chained, stored, booked, and owed to the customer."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from accounts.ids import uuid7
from billing.commands import booking, numbering, sending
from billing.models import Document, NumberSeries
from billing.projections import storing
from billing.queries import documents
from billing.rules.documents import digest
from billing.rules.parties import E_INVOICING
from billing.rules.ubl.emitting import emit


@dataclass(frozen=True, slots=True)
class LineRow:
    """What a document's line stands for: a charge row, the line it gives back of, or both; ``sign`` of its amount."""

    charge_id: UUID | None = None
    credits_id: UUID | None = None
    sign: int = 1


@dataclass(frozen=True, slots=True)
class Intended:
    """A document before it has its number. ``make`` gives it, from its number and the digest of the one before it.

    ``lines`` in the order of the document's.
    """

    make: Callable[[str, str], dict[str, Any]]
    lines: Sequence[LineRow]
    customer_id: UUID
    legal_entity_id: UUID | None
    close_id: UUID | None = None
    corrects_id: UUID | None = None
    group: str = ""


def freeze(series: NumberSeries, intended: Sequence[Intended]) -> list[Document]:
    """Give these documents the next numbers of a series, in order, in the open transaction; store, book and owe them.

    Call it under ``numbering.locked_series``, so that nobody else reads the end of the chain meanwhile.
    """
    if not intended:
        return []
    first, previous = numbering.draw_numbers(series, len(intended)), documents.last_digest(series.id)
    rows, lines = [], []
    for ordinal, one in enumerate(intended, start=first):
        row = _row(series, ordinal, one, previous)
        previous = row["document_sha256"]
        rows.append(row)
        lines += _line_rows(row, one.lines)
    storing.store_invoices(rows, lines)
    stored = [Document(**row) for row in rows]
    booking.book_documents(stored)
    sending.owe(stored)
    return stored


def _row(series: NumberSeries, ordinal: int, one: Intended, previous: str) -> dict[str, Any]:
    data = one.make(number := numbering.number_text(series, ordinal), previous)
    ubl = emit(data) if data["issuer"]["regime"] in E_INVOICING else b""
    return {
        "id": uuid7(),
        "kind": data["document"],
        "series_id": series.id,
        "ordinal": ordinal,
        "number": number,
        "legal_entity_id": one.legal_entity_id,
        "customer_id": one.customer_id,
        "close_id": one.close_id,
        "corrects_id": one.corrects_id,
        "group": one.group,
        "issued_on": date.fromisoformat(data["issued_on"]),
        "due_on": date.fromisoformat(data["due_on"]) if data["due_on"] else None,
        "currency": data["currency"],
        "net": Decimal(data["net"]),
        "tax": Decimal(data["tax"]),
        "total": Decimal(data["total"]),
        "po_number": data["references"]["po"],
        "document": data,
        "document_sha256": digest(data),
        "previous_sha256": previous,
        "ubl": ubl.decode(),
        "ubl_sha256": hashlib.sha256(ubl).hexdigest() if ubl else "",
    }


def _line_rows(row: dict[str, Any], lines: Sequence[LineRow]) -> list[dict[str, Any]]:
    return [
        {
            "document_id": row["id"],
            "line": said["line"],
            "charge_id": line.charge_id,
            "credits_id": line.credits_id,
            "amount": line.sign * Decimal(said["amount"]),
            "tax_category": said["tax"]["category"] if said["tax"] else "",
            "tax_rate": Decimal(said["tax"]["rate"]) if said["tax"] else Decimal(0),
        }
        for said, line in zip(row["document"]["lines"], lines, strict=True)
    ]
