"""One document with the work that it stands on."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render

from accounts import tenancy
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.queries import documents


@operator_page(Permission.INVOICES_READ)
def invoice(request: OperatorRequest, number: str) -> HttpResponse:
    """The issued document as it stands stored, line by line."""
    with tenancy.reading(request.actor):
        found = documents.get_invoice(number)
    document: dict[str, Any] = found.document
    lines = sorted(document["lines"], key=lambda line: (line["site"]["code"], line["line"]))
    by_site = [(site, list(group)) for site, group in groupby(lines, key=lambda line: line["site"])]
    page = {
        "invoice": found,
        "document": document,
        "sites": by_site,
    }
    return render(request, "billing/invoice.html", page)
