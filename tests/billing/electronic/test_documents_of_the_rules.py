"""Documents as the billing rules make them, from lines to UBL and letter: nothing between them is drawn by the tests."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from billing.rules.crediting import CreditedLine, credit, creditable
from billing.rules.documents import Heading, credit_note
from billing.rules.invoicing import Kind
from billing.rules.letters import pdf
from billing.rules.letters.wording import letter
from billing.rules.parties import Rate
from billing.rules.rating import Rule
from billing.rules.ubl.comparing import comparable
from billing.rules.ubl.emitting import emit
from billing.rules.ubl.missing import missing
from billing.rules.ubl.parsing import parse
from tests.billing.electronic.recomputing import Paper
from tests.billing.electronic.rulebook import complaints
from tests.billing.paper import ISSUED, REDUCED, SELLER, STANDARD, given, invoiced, line

VAT_SELLER = replace(SELLER, vat_id="DE123456788", iban="DE02120300000000202051", registration="HRB 40417")
EXEMPT = Rate("DE", "exempt", "E", Decimal(0), "VAT", "Exempt under article 13.", date(2020, 1, 1), None)


def inputs_of(currency="EUR", **profile):
    seller = replace(VAT_SELLER, currency=currency)
    known = {"vat_id": "DE987654329", "buyer_reference": "EK-7", "city": "Lindhafen"}
    return given(STANDARD, REDUCED, EXEMPT, seller=seller, **(known | profile))


def held_to_everything(document):
    content = emit(document)
    assert missing(document) == []
    assert complaints(content) == []
    assert Paper(content).wrong_lines() == []
    assert parse(content) == comparable(document)
    assert pdf.render(document) == pdf.render(document)
    return Paper(content)


LINES = {
    "days of a month": {
        "rule": Rule.UNIT_MONTH,
        "part": Decimal("10.5"),
        "whole": 30,
        "unit_price": Decimal(30),
    },
    "a difference of earlier days": {"rule": Rule.UNIT_MONTH, "part": Decimal(-3), "whole": 31},
    "a flat month in advance": {"rule": Rule.SITE_MONTH, "unit_code": "", "place": "", "in_advance": True},
    "a missed service": {"rule": Rule.MISSED_SERVICE, "part": Decimal(-1), "whole": 4, "event_id": None},
    "a minimum of no site": {"rule": Rule.INVOICE_MINIMUM, "site_id": None, "event_id": None},
}


@pytest.mark.parametrize("currency", ["EUR", "JPY", "KWD"])
@pytest.mark.parametrize("values", LINES.values(), ids=LINES)
def test_a_line_of_each_form_comes_out(values, currency):
    amount = "-11" if values.get("part", Decimal(1)) < 0 else "11"

    document = invoiced(
        inputs_of(currency),
        line(amount, "this", currency=currency, **values),
        line("7000", "work", currency=currency, tax_class="reduced"),
        line("300", "exempt", currency=currency, tax_class="exempt"),
        line(
            "25",
            "earlier",
            Kind.LATE,
            currency=currency,
            starts_on=date(2026, 7, 1),
            ends_before=date(2026, 7, 2),
        ),
    )

    paper = held_to_everything(document)
    assert paper.stated() == paper.recomputed()


@pytest.mark.parametrize(
    ("treatment", "category"),
    [("reverse_charge", "AE"), ("intra_community", "K"), ("export", "G"), ("exempt", "E"), ("outside", "O")],
)
def test_a_buyer_of_each_treatment_gets_a_valid_document(treatment, category):
    document = invoiced(
        inputs_of(tax_treatment=treatment, vat_id="FR40303265045"), line("10.00"), line("2.50", "two")
    )

    paper = held_to_everything(document)
    assert paper.stated() == paper.recomputed()
    assert {key[0] for key in paper.stated().groups} == {category}
    assert document["tax_groups"][0]["reason"] in letter(document)["notes"]


def test_a_credit_in_part_and_the_rest_of_it_are_valid_to_the_last_cent():
    document = invoiced(
        inputs_of(), line("10.00", part=Decimal(10), whole=30, unit_price=Decimal(30)), line("0.15", "two")
    )
    part = credit_note(
        Heading("CRN-000001", ISSUED, None, "", reason="Agreed"),
        document,
        credit(creditable(document, []), [CreditedLine(1, Decimal("4.00"))]),
    )

    rest = credit_note(
        Heading("CRN-000002", ISSUED, None, "", reason="Withdrawn"),
        document,
        credit(creditable(document, [part])),
    )

    assert held_to_everything(part).stated() == Paper(emit(part)).recomputed()
    stated = held_to_everything(rest).stated()
    assert stated.payable == Decimal(document["total"]) - Decimal(part["total"])
    assert "invoice INV-000001" in letter(rest)["opening"]


def test_cash_rounding_is_stated_apart():
    seller = replace(VAT_SELLER, cash_rounding=Decimal("0.05"))

    document = invoiced(given(seller=seller, vat_id="DE987654329"), line("10.01"))

    # 10.01 at 19 % is 1.9019; 11.91 rounds to 11.90 (Swiss-style steps of 0.05; common practice, no source).
    paper = held_to_everything(document)
    assert (paper.stated().gross, paper.stated().payable) == (Decimal("11.91"), Decimal("11.90"))
    assert paper.stated() == paper.recomputed()


def test_a_tax_is_named_once_beside_its_rate():
    said = letter(invoiced(inputs_of(), line("10.00"), line("5.00", "two", tax_class="reduced")))

    assert [(group["name"], group["rate"].replace("\u202f", "")) for group in said["tax"]] == [
        ("VAT", "7%"),
        ("VAT", "19%"),
    ]
    assert [label for label, _ in said["totals"]] == ["Net", "VAT", "Total"]
