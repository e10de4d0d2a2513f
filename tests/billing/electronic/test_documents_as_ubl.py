"""What we send as UBL is valid by the official schema and rules, exact to the cent, and says what the document says."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest

from billing.rules.rating import Rule
from billing.rules.ubl.codes import unit_code
from billing.rules.ubl.comparing import comparable
from billing.rules.ubl.emitting import emit
from billing.rules.ubl.missing import missing
from billing.rules.ubl.parsing import parse
from tests.billing.electronic import papers
from tests.billing.electronic.recomputing import Paper
from tests.billing.electronic.rulebook import complaints

SEEDS = range(224)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_document_is_valid_exact_and_comes_back(seed):
    document = papers.drawn(seed)

    content = emit(document)

    paper = Paper(content)
    assert complaints(content) == []
    assert missing(document) == []
    assert paper.wrong_lines() == []
    assert paper.stated() == paper.recomputed()
    assert paper.stated().payable == Decimal(document["payable"])
    assert parse(content) == comparable(document)
    assert emit(papers.drawn(seed)) == content


def test_the_documents_drawn_cover_all_that_we_issue():
    drawn = [papers.drawn(seed) for seed in SEEDS]
    lines = [
        (document["document"], document["currency"], line) for document in drawn for line in document["lines"]
    ]

    def seen(key):
        return {(kind, currency, key(line)) for kind, currency, line in lines}

    everywhere = {
        (kind, currency) for kind in ("invoice", "credit_note") for currency in ("EUR", "JPY", "KWD")
    }
    assert seen(lambda line: line["rule"]) == {
        (*place, rule) for place in everywhere for rule in papers.RULES
    }
    assert seen(lambda line: line["tax"]["category"]) == {
        (*place, category) for place in everywhere for category in papers.CATEGORIES
    }
    assert seen(lambda line: line["kind"]) == {
        (*place, kind) for place in everywhere for kind in ("regular", "late", "credit")
    }
    adjusted = [line for document in drawn for line in Paper(emit(document)).all("//a:AllowanceCharge")]
    assert len(adjusted) > 100
    assert any(Decimal(line["amount"]) < 0 for kind, _, line in lines if kind == "invoice")
    assert any(Decimal(document["cash_rounding"]) for document in drawn)


def test_the_official_checks_find_what_is_spoilt():
    content = emit(papers.paper([papers.line(1), papers.line(2, rule="install")])).decode()

    spoilt = {
        "BR-CO-15": re.sub(r"(<cbc:TaxInclusiveAmount[^>]*>)[^<]*", r"\g<1>99.99", content),
        "BR-CL-23": content.replace("C62", "ELL"),
        "BR-27": content.replace('<cbc:PriceAmount currencyID="EUR">', '<cbc:PriceAmount currencyID="EUR">-'),
        "XSD": content.replace("<cbc:IssueDate>2026-05-02</cbc:IssueDate>\n", ""),
    }

    assert complaints(content.encode()) == []
    for rule, text in spoilt.items():
        assert text != content
        assert any(found.startswith(rule) for found in complaints(text.encode())), rule


def test_a_cent_that_the_official_rules_let_pass_is_found():
    # BR-CO-17 lets the tax of a group be wrong by less than 1.00, and nothing compares quantity times price.
    content = emit(papers.paper([papers.line(1, amount="12.50")])).decode()
    wrong_tax = content.replace(">2.38<", ">2.39<").replace(">14.88<", ">14.89<")
    wrong_line = content.replace(">12.5<", ">13.5<")

    assert complaints(wrong_tax.encode()) == complaints(wrong_line.encode()) == []

    assert Paper(wrong_tax.encode()).stated() != Paper(wrong_tax.encode()).recomputed()
    assert Paper(wrong_line.encode()).wrong_lines() == ["1"]
    assert Paper(content.encode()).stated() == Paper(content.encode()).recomputed()


def lacking(rule):
    """A document that lacks what the rule asks for."""
    line = papers.line(1)
    taxed = {
        category: papers.line(1, tax=line["tax"] | {"category": category, "rate": "0"})
        for category in ("S", "AE", "K", "G", "O")
    }
    return {
        "BR-09": papers.paper([line], issuer=papers.issuer(country="", vat_id="")),
        "BR-11": papers.paper([line], customer=papers.customer(country="")),
        "BR-07": papers.paper([line], customer=papers.customer(name=" ")),
        "BR-S-02": papers.paper([line], issuer=papers.issuer(vat_id="")),
        "BR-AE-02": papers.paper([taxed["AE"]], customer=papers.customer(vat_id="")),
        "BR-IC-02": papers.paper([taxed["K"]], customer=papers.customer(vat_id="123")),
        "BR-G-02": papers.paper([taxed["G"]], issuer=papers.issuer(vat_id="123")),
        "BR-O-11": papers.paper([line, taxed["O"] | {"line": 2}]),
        "BR-DEC": papers.paper(
            [papers.line(1, amount="12.505")], currency="KWD", net="12.505", total="14.885"
        ),
        "BR-25": papers.paper([papers.line(1, item={"code": "", "name": ""})]),
        "BR-16": papers.paper([], net="0.00"),
    }[rule]


@pytest.mark.parametrize(
    "rule",
    ["BR-09", "BR-11", "BR-07", "BR-S-02", "BR-AE-02", "BR-IC-02", "BR-G-02", "BR-O-11", "BR-DEC", "BR-25"],
)
def test_what_is_missing_is_what_the_official_rules_miss(rule):
    document = lacking(rule)

    assert any(rule in sentence for sentence in missing(document))
    assert any(found.startswith(rule) for found in complaints(emit(document)))


def test_a_document_without_lines_is_refused_by_the_schema_and_named():
    document = lacking("BR-16")

    assert any("BR-16" in sentence for sentence in missing(document))
    assert complaints(emit(document)) != []


def test_each_rule_counts_in_a_unit_of_its_own_kind():
    # UN/ECE Recommendation 20: DAY day, MON month, E48 service unit, C62 one. Which fits which rule is ours.
    assert set(Rule) == set(papers.RULES)
    assert {rule: unit_code(rule, "30") for rule in papers.RULES} == {
        "event": "C62",
        "install": "C62",
        "unit_month": "DAY",
        "site_month": "DAY",
        "extra_unit": "DAY",
        "visit": "E48",
        "call_out": "E48",
        "visit_minimum": "C62",
        "invoice_minimum": "C62",
        "missed_service": "E48",
        "claw_back": "MON",
    }
    assert unit_code("unit_month", "1") == "MON"


def test_a_part_of_a_month_is_days_of_the_whole_month():
    document = papers.paper(
        [
            papers.line(
                1,
                rule="unit_month",
                quantity={"part": "10.5", "of": 30},
                unit_price="30",
                amount="10.50",
                period={"start": "2026-04-20", "end_exclusive": "2026-05-01"},
            )
        ]
    )

    paper = Paper(emit(document))

    line = paper.lines[0]
    assert paper.text("b:InvoicedQuantity", line) == "10.5"
    assert paper.text("a:Price/b:BaseQuantity", line) == "30"
    assert {found.get("unitCode") for found in paper.all(".//*[@unitCode]", line)} == {"DAY"}
    assert paper.text("a:InvoicePeriod/b:EndDate", line) == "2026-04-30"
    assert paper.all("a:AllowanceCharge", line) == []


@pytest.mark.parametrize(
    ("currency", "values", "reason", "adjustment"),
    [
        # A third of 8.00 that got the cent left over: 2.67 as computed, or a cent less.
        ("EUR", {"unit_price": "8", "part": "10", "of": 30, "amount": "2.66"}, "Rounding", "-0.01"),
        # Whole yen: 1000 x 10 / 30 is 333.33 by EN 16931's two decimals.
        ("JPY", {"unit_price": "1000", "part": "10", "of": 30, "amount": "333"}, "Rounding", "-0.33"),
        # Dinars by hundredths, printed with three decimals.
        ("KWD", {"unit_price": "7", "part": "1", "of": 3, "amount": "2.340"}, "Rounding", "0.01"),
        # Part of a line given back by hand.
        ("EUR", {"unit_price": "12.5", "part": "1", "of": 1, "amount": "4.00"}, "Adjustment", "-8.50"),
    ],
)
def test_a_line_that_is_not_quantity_times_price_says_what_is_between(currency, values, reason, adjustment):
    given = {"quantity": {"part": values["part"], "of": values["of"]}} | values
    document = papers.paper([papers.line(1, **given)], currency=currency)

    content = emit(document)

    paper = Paper(content)
    between = paper.all("a:AllowanceCharge", paper.lines[0])[0]
    sign = "" if paper.text("b:ChargeIndicator", between) == "true" else "-"
    assert (paper.text("b:AllowanceChargeReason", between), sign + paper.text("b:Amount", between)) == (
        reason,
        adjustment,
    )
    assert paper.wrong_lines() == []
    assert complaints(content) == []


def test_the_period_of_a_document_covers_late_lines_and_fees_in_advance():
    # Peppol BIS Billing 3, rules R110 and R111: a line's period must lie within the document's.
    document = papers.paper(
        [
            papers.line(1, kind="late", period={"start": "2026-02-11", "end_exclusive": "2026-02-12"}),
            papers.line(2, in_advance=True, period={"start": "2026-05-01", "end_exclusive": "2026-06-01"}),
        ]
    )

    paper = Paper(emit(document))

    assert paper.text("a:InvoicePeriod/b:StartDate") == "2026-02-11"
    assert paper.text("a:InvoicePeriod/b:EndDate") == "2026-05-31"


def test_a_credit_note_names_its_invoice_and_asks_for_no_payment():
    document = papers.credit_note([papers.line(1, credits={"number": "INV-000123", "line": 4})])

    paper = Paper(emit(document))

    assert paper.text("b:CreditNoteTypeCode") == "381"
    assert paper.text("a:BillingReference/a:InvoiceDocumentReference/b:ID") == "INV-000123"
    assert paper.text("a:BillingReference/a:InvoiceDocumentReference/b:IssueDate") == "2026-05-02"
    assert paper.text("b:Note") == "#ACD#Wicks were changed under warranty."
    assert paper.all("a:PaymentMeans") == []
    assert len(paper.all("a:BillingReference")) == 1


def test_an_invoice_says_where_to_pay_and_under_which_number():
    paper = Paper(emit(papers.paper([papers.line(1)])))

    means = paper.all("a:PaymentMeans")[0]
    assert paper.text("b:PaymentMeansCode", means) == "58"  # UNTDID 4461: SEPA credit transfer
    assert paper.text("b:PaymentID", means) == "INV-000123"
    assert paper.text("a:PayeeFinancialAccount/b:ID", means) == "DE02120300000000202051"
    assert paper.text("b:DueDate") == "2026-06-01"
    assert paper.text("a:OrderReference/b:ID") == "4500017723"
    assert paper.text("a:ContractDocumentReference/b:ID") == "CT-0008"


def test_a_site_is_the_lines_object():
    paper = Paper(emit(papers.paper([papers.line(1, cost_centre="CC-410"), papers.line(2, site=None)])))

    first, second = paper.lines
    # UNTDID 1001, 130: by it UBL tells the line's object (BT-128) from other documents.
    assert paper.text("a:DocumentReference/b:DocumentTypeCode", first) == "130"
    assert paper.text("a:DocumentReference/b:ID", first) == "HARBOUR"
    assert paper.text("b:AccountingCost", first) == "CC-410"
    assert paper.all("a:DocumentReference", second) == []


def test_groups_of_two_places_at_one_rate_are_one_vat_breakdown():
    line = papers.line(1)
    there = papers.line(2, tax=line["tax"] | {"jurisdiction": "AT"})
    document = papers.paper([line, there])

    content = emit(document)

    assert len(document["tax_groups"]) == 2
    assert len(Paper(content).stated().groups) == 1
    assert complaints(content) == []


def test_outside_the_tax_no_vat_number_stands_on_the_document():
    line = papers.line(1, tax={"class": "standard", "category": "O", "rate": None, "jurisdiction": "DE"})

    content = emit(papers.paper([line], issuer=papers.issuer(registration="")))

    paper = Paper(content)
    assert paper.all("//a:PartyTaxScheme/a:TaxScheme[b:ID='VAT']") == []
    assert paper.text("//a:AccountingSupplierParty//a:PartyIdentification/b:ID") == "DE123456788"
    assert complaints(content) == []


@pytest.mark.parametrize("content", [b"", b"<Invoice/>", b"not XML", b'<a xmlns="urn:x"/>'])
def test_what_is_not_our_ubl_is_refused(content):
    with pytest.raises(ValueError, match="XML"):
        parse(content)


def test_an_invoice_of_another_type_is_refused():
    with pytest.raises(ValueError, match="another type"):
        parse(emit(papers.paper([papers.line(1)])).replace(b">380<", b">384<"))
