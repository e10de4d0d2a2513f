"""What billing writes down is in the operator's language, whoever asked for it, and is read out again as it was written."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core import mail

from accounts.commands import operators
from accounts.languages import Manner, _, speaking
from accounts.permissions import Role
from billing.commands import closing, crediting, payments, sending
from billing.commands.payments import NewPayment
from billing.queries import documents, ledger
from billing.rules import tax, terms_words, wording
from billing.rules.letters import pdf
from billing.rules.letters.wording import letter
from billing.rules.terms import CreditAs, Mode, NotAdmitted, Proration, Terms
from billing.rules.ubl.emitting import emit
from tests.billing.books import APRIL, MAY, close, list_prices, on
from tests.billing.mailing import body_of, has_address, run_owed, sendings
from tests.cast import Cast
from tests.pages.sellers import sell_with_vat

ENGLISH, GERMAN = Manner("en-GB"), Manner("de-DE")


def speaks(cast: Cast, locale: str) -> Cast:
    operators.change_operator(
        actor=cast.owner, name="Nord", legal_name="Nord Pflege GmbH", locale=locale, measures="metric"
    )
    return cast


def billed(cast: Cast, locale: str, clerk: Manner) -> dict[str, Any]:
    """The document of April of an operator that speaks so, closed by a clerk who reads so."""
    speaks(cast, locale)
    list_prices(cast)
    cast.upload(cast.installed(at=on(4, 1)))
    with speaking(clerk):
        close(cast, APRIL)
    return stored(cast, "INV-000001")


def stored(cast: Cast, number: str) -> dict[str, Any]:
    with cast.reading():
        document: dict[str, Any] = documents.get_document(number).document
    return document


def said(document: dict[str, Any]) -> dict[str, Any]:
    """What a document says, without what differs between any two operators."""
    own = {"unit", "event", "charge", "customer", "agreement", "site"}
    lines = [{key: value for key, value in line.items() if key not in own} for line in document["lines"]]
    return {key: value for key, value in document.items() if key not in {"customer", "issuer"}} | {
        "lines": lines
    }


def test_a_document_is_the_same_whoever_closed_the_month(north, south):
    by_a_german = billed(north, "de-DE", GERMAN)
    by_an_englishman = billed(south, "de-DE", ENGLISH)

    assert said(by_a_german) == said(by_an_englishman)
    assert by_a_german["language"] == "de-DE"
    assert by_a_german["note"] == "Alle Beträge sind netto; Steuer ist nicht enthalten."


def test_an_english_document_does_not_name_its_language(north):
    document = billed(north, "en-US", GERMAN)

    assert "language" not in document
    assert document["note"] == "All amounts are net; tax is not included."


def test_a_letter_reads_in_the_language_of_its_document(north):
    document = billed(north, "de-DE", ENGLISH)

    told = letter(document)
    with speaking(GERMAN):
        again = letter(document)
    assert told == again
    assert (told["title"], told["language"]) == ("Rechnung", "de")
    # Comma before the decimals, points between thousands, day before month: DIN 5008.
    assert told["due"] == ["Zu zahlen", "EUR\N{NO-BREAK SPACE}75,00"]
    assert told["issued"].replace("\N{NO-BREAK SPACE}", " ") == "3. Mai 2026"
    assert (
        told["opening"]
        == "Unsere Arbeit für Sie im April 2026 beträgt EUR\N{NO-BREAK SPACE}75,00, zahlbar bis Dienstag, 2. Juni 2026."
    )
    assert told["words"]["page"] == "Seite {page} von {pages}"
    with speaking(GERMAN):
        german_reader = pdf.render(document)
    assert pdf.render(document) == german_reader


def test_every_close_of_a_german_operator_is_rated_again_to_the_same(north):
    speaks(north, "de-DE")
    sell_with_vat(north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, at=on(4, 14)))
    close(north, APRIL)
    close(north, MAY)

    with speaking(ENGLISH):
        assert closing.differences(north.operator.id) == []
    speaks(north, "en-GB")
    assert closing.differences(north.operator.id) == []


def test_an_e_invoice_says_its_sentences_in_the_language_of_its_document(north):
    sell_with_vat(north)
    document = billed(north, "de-DE", ENGLISH)

    with speaking(GERMAN):
        german_reader = emit(document)
    assert emit(document) == german_reader
    assert "Zahlbar bis 02.06.2026." in german_reader.decode()
    # The codes are the same in every language: UNTDID 1001, UNTDID 5305.
    assert "<cbc:InvoiceTypeCode>380</cbc:InvoiceTypeCode>" in german_reader.decode()
    with north.reading():
        assert documents.get_document("INV-000001").ubl.encode() == german_reader


def test_a_mail_is_in_the_operators_words(north, superuser, settings):
    settings.PUBLIC_URL = "https://bills.example"
    has_address(superuser, north)
    billed(north, "de-DE", ENGLISH)
    with speaking(ENGLISH):
        run_owed(north)

    (sent,) = mail.outbox
    assert sent.subject == "Rechnung INV-000001 von Nord Pflege GmbH"
    assert sent.body.startswith("Guten Tag Quay Schools,\n\nanbei erhalten Sie unsere Rechnung")
    assert "für April 2026 über 75,00 EUR, zahlbar bis 2. Juni 2026." in body_of(sent)
    assert "Mit freundlichen Grüßen" in sent.body
    for english in ("Dear", "attached", "Please", "invoice", "Total"):
        assert english not in sent.body


def test_reminders_and_statements_are_too(north, superuser):
    has_address(superuser, north)
    billed(north, "de-DE", ENGLISH)
    run_owed(north)
    mail.outbox.clear()
    with speaking(ENGLISH):
        sending.remind_due(actor=north.actors[Role.BOOKKEEPER], today=date(2026, 6, 10))
        sending.send_statement(
            actor=north.actors[Role.BOOKKEEPER],
            customer_id=north.customer.id,
            since=date(2026, 4, 1),
            until=date(2026, 6, 30),
        )
        run_owed(north)

    reminder, statement = sorted(mail.outbox, key=lambda one: one.subject, reverse=True)
    assert reminder.subject == "Zahlungserinnerung: Rechnung INV-000001 von Nord Pflege GmbH"
    assert "Fällig war sie am 2. Juni 2026." in body_of(reminder)
    assert statement.subject == "Kontoauszug von Nord Pflege GmbH, 1. April 2026 bis 30. Juni 2026"
    assert "03.05.2026 Rechnung INV-000001 75,00 75,00" in body_of(statement)
    assert "Sie schulden uns 75,00 EUR." in body_of(statement)


def test_a_mail_given_up_says_why_in_the_operators_words(north, superuser, settings):
    settings.EMAIL_BACKEND = "django.core.mail.backends.dummy.EmailBackend"
    has_address(superuser, north)
    billed(north, "de-DE", ENGLISH)
    run_owed(north)

    assert [one.failed for one in sendings(north)] == ["Hier ist kein Mailserver eingerichtet."]


def test_the_books_are_in_the_operators_words(north):
    billed(north, "de-DE", ENGLISH)
    with speaking(ENGLISH):
        payments.record_payment(
            actor=north.actors[Role.BOOKKEEPER],
            payment=NewPayment(
                customer_id=north.customer.id, received_on=date(2026, 5, 3), amount=Decimal(10), currency="EUR",
                method="transfer", reference="R7",
            ),
        )  # fmt: skip
        crediting.credit_document(
            actor=north.actors[Role.BOOKKEEPER], number="INV-000001", reason="Doppelt", lines=None
        )
    with north.reading():
        texts = [entry.text for entry in ledger.entries()]

    assert texts == ["Rechnung INV-000001", "Zahlung R7", "Rechnungskorrektur CRN-000001"]
    assert stored(north, "CRN-000001")["language"] == "de-DE"


@pytest.mark.parametrize(
    ("treatment", "words"),
    [
        # The words that German law asks for: UStG, section 14a (5), in force since 2013.
        ("reverse_charge", "Steuerschuldnerschaft des Leistungsempfängers."),
        ("outside", "Nicht steuerbar."),
    ],
)
def test_why_there_is_no_tax_is_said_as_german_law_has_it(treatment, words):
    category, reason = tax.TREATMENTS[treatment]
    with speaking(GERMAN):
        assert _(reason) == words
    assert category in {"AE", "O"}


def test_what_became_of_an_event_reads_in_the_readers_language():
    stored_counter = "1 of 2 from 2026-01-01"
    english = wording.disposition_words("included", "inclusion", "inclusion:wick.changed", stored_counter)
    with speaking(GERMAN):
        german = wording.disposition_words("included", "inclusion", "inclusion:wick.changed", stored_counter)

    assert english == "Included: the contract includes so many of these (1 of 2 from 2026-01-01)."
    assert german == "Enthalten: der Vertrag enthält so viele davon (1 von 2 ab 01.01.2026)."


def test_terms_read_in_the_readers_language():
    terms = Terms(
        effective_from=date(2026, 1, 1),
        mode=Mode.UNIT_MONTH,
        proration=Proration.BY_DAYS,
        visit_minimum=Decimal("12.50"),
        not_admitted=NotAdmitted.BILLABLE,
        credit_as=CreditAs.LINE,
    )
    with speaking(GERMAN):
        told = terms_words.terms_in_words(terms, "EUR")

    assert told[0] == "Berechnet wird jedes Gerät je Monat, jeden Monat im Nachhinein."
    assert "Die Besuche eines Tages an einem Standort kosten mindestens 12,50 EUR." in told
    assert not any(word in " ".join(told) for word in (" is ", " the ", " a "))
