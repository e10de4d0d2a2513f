"""What a customer reads by the link in a mail, and how that is noted."""

from __future__ import annotations

import re
from datetime import date

import pytest
from django.core import mail

from billing.commands import parties, sending
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import has_address, run_owed, sendings
from tests.pages.visitors import Visitor, text_of


@pytest.fixture
def mailed(north, superuser, settings):
    """An operator whose customer got its April invoice of 75.00 EUR by mail, with a link."""
    settings.PUBLIC_URL = "https://testserver"
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    run_owed(north)
    return north


def link():
    return re.search(r"https://testserver(/shared/\S+)", mail.outbox[-1].body)[1]


def test_the_link_opens_the_document_without_signing_in(mailed):
    answer = Visitor().get(link())

    assert answer.status_code == 200
    text = text_of(answer)
    assert "Invoice INV-000001 over 75.00 EUR" in text
    assert "75.00 EUR is to be paid by 2 Jun 2026." in text
    assert "Quay Schools (C1)" in text
    assert "Marl Quay School (S1)" in text
    assert "noindex" in answer["X-Robots-Tag"]
    assert answer["Referrer-Policy"] == "no-referrer"
    # Nothing of the operator's own pages is linked from it.
    assert f"/{mailed.operator.slug}/" not in answer.content.decode()
    assert "<script" not in answer.content.decode()


def test_opening_it_is_noted_once(mailed, later):
    Visitor().head(link())
    before = sendings(mailed)[0].read_at
    later(hours=1)
    Visitor().get(link())
    first = sendings(mailed)[0].read_at
    later(hours=1)
    Visitor().get(link())

    assert before is None
    assert first is not None
    assert sendings(mailed)[0].read_at == first


def test_the_letter_is_there_as_a_file(mailed):
    answer = Visitor().get(f"{link()}/pdf")

    assert (answer["Content-Type"], answer.content[:5]) == ("application/pdf", b"%PDF-")
    assert 'filename="INV-000001.pdf"' in answer["Content-Disposition"]
    assert answer.content == mail.outbox[0].attachments[0][1]
    # No e-invoice without tax.
    assert Visitor().get(f"{link()}/xml").status_code == 404
    assert Visitor().get(f"{link()}/exe").status_code == 404


def test_a_link_that_was_tampered_with_leads_nowhere(mailed):
    path = link()
    changed = path[:-1] + ("A" if path[-1] != "A" else "B")

    for odd in (changed, "/shared/nothing", "/shared/a:b"):
        answer = Visitor().get(odd)
        assert answer.status_code == 404
        assert "This link leads nowhere" in text_of(answer)
    assert sendings(mailed)[0].read_at is None


def test_a_link_ends_after_thirteen_months(mailed, later):
    path = link()
    later(days=380)
    assert Visitor().get(path).status_code == 404


def test_a_statement_opens_by_its_link_as_the_account_is_now(mailed):
    sending.send_statement(
        actor=mailed.owner, customer_id=mailed.customer.id, since=date(2026, 5, 1), until=date(2026, 5, 31)
    )
    run_owed(mailed)

    text = text_of(Visitor().get(link()))

    assert "Account of Quay Schools from 1 May 2026 to 31 May 2026" in text
    assert "To be paid: 75.00 EUR." in text
    assert "Invoice INV-000001" in text
    assert Visitor().get(f"{link()}/pdf").status_code == 404


def test_where_the_product_does_not_know_its_address_a_mail_has_no_link(mailed, settings):
    settings.PUBLIC_URL = ""
    sending.send_again(actor=mailed.owner, number="INV-000001")
    run_owed(mailed)

    assert "http" not in mail.outbox[-1].body


def test_the_bank_stands_on_the_page_of_what_is_to_be_paid(north, superuser, settings):
    settings.PUBLIC_URL = "https://testserver"
    has_address(superuser, north)
    # The IBAN of the registry's German example (ISO 13616, SWIFT IBAN registry).
    parties.set_legal_entity(
        actor=north.owner,
        code="N",
        values={"legal_name": "North Care Ltd", "country": "DE", "iban": "DE89370400440532013000"},
    )
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    run_owed(north)

    assert "IBAN DE89370400440532013000" in text_of(Visitor().get(link()))
    assert "IBAN        DE89 3704 0044 0532 0130 00" in mail.outbox[-1].body
