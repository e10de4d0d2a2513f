"""Every issued document held against the rows it stands on: its charges, its columns, its number and its chain."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any
from uuid import UUID

from billing.models import Document, DocumentLine
from billing.queries import documents
from billing.queries.closes import as_line
from billing.rules.documents import digest, said_of
from billing.rules.parties import E_INVOICING
from billing.rules.ubl.emitting import emit

AT_ONCE = 200


def document_problems() -> list[str]:
    """What is wrong with issued documents, one sentence each, [] if nothing is; inside an operator's scope."""
    problems: list[str] = []
    last: dict[UUID | None, tuple[int, str]] = {}
    batch: list[Document] = []
    for document in documents.issued_in_order().iterator(AT_ONCE):
        ordinal, previous = last.get(document.series_id, (0, ""))
        # A series may begin above 1: the operator's numbers go on from the books before.
        if ordinal and document.ordinal != ordinal + 1:
            problems.append(f"Document {document.number}: its number does not follow the one before.")
        if document.previous_sha256 != previous:
            problems.append(f"Document {document.number}: it is not chained to the one before.")
        last[document.series_id] = (document.ordinal or 0, document.document_sha256)
        batch.append(document)
        if len(batch) == AT_ONCE:
            problems += _problems_of(batch)
            batch = []
    return problems + _problems_of(batch)


def _problems_of(batch: Iterable[Document]) -> list[str]:
    rows: dict[UUID, list[DocumentLine]] = defaultdict(list)
    for row in DocumentLine.objects.filter(document__in=[one.id for one in batch]).select_related("charge"):
        rows[row.document_id].append(row)
    return [
        f"Document {document.number}: {what}"
        for document in batch
        for what in _faults(document, sorted(rows[document.id], key=lambda row: row.line))
    ]


def _faults(document: Document, rows: list[DocumentLine]) -> Iterator[str]:
    data: dict[str, Any] = document.document
    if digest(data) != document.document_sha256 or data["previous_sha256"] != document.previous_sha256:
        yield "its content was changed."
    if data["issuer"]["regime"] in E_INVOICING and emit(data).decode() != document.ubl:
        yield "its UBL is not what it says."
    columns = (document.number, document.kind, document.net, document.tax, document.total)
    said = (data["number"], data["document"], *(Decimal(data[name]) for name in ("net", "tax", "total")))
    if columns != said or [line["line"] for line in data["lines"]] != [row.line for row in rows]:
        yield "its row does not say what it says."
        return
    for line, row in zip(data["lines"], rows, strict=True):
        if _differs(line, row):
            yield f"its line {row.line} is not what its charge gives."


def _differs(line: dict[str, Any], row: DocumentLine) -> bool:
    if row.charge is None:
        return Decimal(line["amount"]) != row.amount
    sign = -1 if row.credits_id is not None else 1
    expected = said_of(as_line(row.charge).charge, sign=sign)
    return row.amount != row.charge.amount or any(line[name] != value for name, value in expected.items())
