"""Issued documents, byte for byte, as whoever takes everything along gets them. Inside the operator's scope."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from billing.models import Document
from billing.queries.document_forms import form_of

AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class DocumentFile:
    """``form``: json, as the document was sealed, or xml, its e-invoice."""

    number: str
    document_id: str
    form: str
    content: bytes


def document_files() -> Iterator[DocumentFile]:
    """Each document that was issued here, with its e-invoice where it has one; debts brought forward have neither."""
    issued = Document.objects.exclude(kind="opening").order_by("id")
    for found in issued.iterator(chunk_size=AT_ONCE):
        for form in ("json", "xml") if found.ubl else ("json",):
            yield DocumentFile(found.number, str(found.id), form, form_of(found, form))
