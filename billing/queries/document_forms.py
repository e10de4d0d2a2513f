"""A document's bytes in each of its forms: a letter (PDF), an e-invoice (UBL), its lines (CSV), and JSON as it is kept."""

from __future__ import annotations

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import Document
from billing.rules.document_export import document_csv
from billing.rules.documents import canonical_bytes
from billing.rules.letters import pdf

MEDIA_TYPES = {
    "json": "application/json",
    "pdf": "application/pdf",
    "xml": "application/xml",
    "csv": "text/csv",
}


def form_of(found: Document, form: str) -> bytes:
    """The document as ``json``, ``pdf``, ``xml`` or ``csv``. NotFound for a form that it does not have."""
    if found.kind == "opening":
        raise NotFound(_("This debt was brought forward, so there is no document of it here."))
    if form == "pdf":
        return pdf.render(found.document)
    if form == "json":
        return canonical_bytes(found.document)
    if form == "csv":
        return document_csv(found.document).encode()
    if form == "xml" and found.ubl:
        return found.ubl.encode()
    raise NotFound(
        _("This document has no such form. E-invoices are made for issuers that charge VAT or GST.")
    )
