"""What closes and credits really store: electronic invoices that are valid, exact, and the document's own words."""

from __future__ import annotations

import hashlib
from datetime import date
from decimal import Decimal

from accounts.permissions import Role
from billing.commands import parties
from billing.commands.crediting import credit_document
from billing.queries import documents
from billing.rules.crediting import CreditedLine
from billing.rules.letters import pdf
from billing.rules.ubl.comparing import comparable
from billing.rules.ubl.missing import missing
from billing.rules.ubl.parsing import parse
from tests.billing.books import APRIL, MAY, close, list_prices, on
from tests.billing.electronic.recomputing import Paper
from tests.billing.electronic.rulebook import complaints

SELLER = {
    "legal_name": "Northern Drip Rounds GmbH",
    "street": "Am Speicher 4",
    "city": "Lindhafen",
    "postcode": "21039",
    "country": "DE",
    "regime": "vat",
    "vat_id": "DE123456788",
    "iban": "DE02 1203 0000 0000 2020 51",
}


def sell_under_vat(cast):
    parties.set_legal_entity(actor=cast.owner, code="MAIN", values=SELLER)
    parties.set_tax_rate(
        actor=cast.owner,
        jurisdiction="DE",
        tax_class="standard",
        category="S",
        rate=Decimal(19),
        effective_from=date(2020, 1, 1),
        name="VAT",
    )


def issued(cast):
    with cast.reading():
        return list(documents.issued_in_order())


def test_invoices_late_lines_and_credit_notes_are_stored_as_valid_ubl(north):
    sell_under_vat(north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 11)))
    close(north, APRIL)
    north.upload(north.event("wick.changed", north.unit, on(4, 20), reason="age"))
    close(north, MAY)
    bookkeeper = north.actors[Role.BOOKKEEPER]
    part = [CreditedLine(1, Decimal("4.00"))]
    credit_document(actor=bookkeeper, number="INV-000001", reason="Agreed", lines=part)
    credit_document(actor=bookkeeper, number="INV-000002", reason="Withdrawn")

    stored = issued(north)

    assert sorted(one.kind for one in stored) == ["credit_note", "credit_note", "invoice", "invoice"]
    assert any(line["kind"] == "late" for one in stored for line in one.document["lines"])
    for one in stored:
        content = one.ubl.encode()
        paper = Paper(content)
        assert missing(one.document) == []
        assert complaints(content) == []
        assert paper.wrong_lines() == []
        assert paper.stated() == paper.recomputed()
        assert paper.stated().gross == one.total
        assert parse(content) == comparable(one.document)
        assert hashlib.sha256(content).hexdigest() == one.ubl_sha256
        assert pdf.render(one.document).startswith(b"%PDF")


def test_a_seller_without_vat_issues_no_ubl_but_letters(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)

    (invoice,) = issued(north)

    assert (invoice.ubl, invoice.ubl_sha256) == ("", "")
    assert pdf.render(invoice.document).startswith(b"%PDF")
