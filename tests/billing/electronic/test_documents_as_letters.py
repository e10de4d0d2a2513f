"""The letters that go to customers: what stands on them, on which paper, and that they are always the same bytes."""

from __future__ import annotations

import io
import re
from decimal import Decimal

import pytest
from pypdf import PdfReader

from billing.rules.letters import amounts, pdf
from billing.rules.letters.paying import transfer_code
from billing.rules.letters.wording import letter
from tests.billing.electronic import papers


def read(document) -> PdfReader:
    return PdfReader(io.BytesIO(pdf.render(document)))


def text_of(document) -> str:
    """All that can be read of the letter, white space as single spaces."""
    return " ".join(" ".join(page.extract_text() for page in read(document).pages).split())


def figure(printed: str) -> Decimal:
    return Decimal(printed.replace(",", "").replace(amounts.MINUS, "-"))


@pytest.mark.parametrize("seed", range(0, 224, 8))
def test_a_letter_says_every_line_and_sums_to_what_is_due(seed):
    document = papers.drawn(seed)

    said = letter(document)

    lines = [line for site in said["sites"] for line in site["lines"]]
    totals = dict(said["totals"])
    assert [line["line"] for line in lines] == [str(line["line"]) for line in document["lines"]]
    assert sum(figure(line["amount"]) for line in lines) == figure(totals["Net"])
    assert sum(figure(site["sum"]) for site in said["sites"]) == figure(totals["Net"])
    assert sum(figure(group["base"]) for group in said["tax"]) == figure(totals["Net"])
    assert sum(figure(group["tax"]) for group in said["tax"]) == figure(totals["VAT"])
    due = figure(totals["Total"]) + figure(totals.get("Rounding", "0"))
    assert due == figure(said["due"][1].split("\u00a0")[1])


@pytest.mark.parametrize("seed", range(0, 224, 16))
def test_the_same_document_is_always_the_same_bytes(seed):
    first = pdf.render(papers.drawn(seed))

    assert pdf.render(papers.drawn(seed)) == first


def test_an_invoice_says_who_what_when_how_much_and_where_to_pay():
    document = papers.paper(
        [
            papers.line(1),
            papers.line(
                2,
                kind="late",
                service_on="2026-03-27",
                period={"start": "2026-03-01", "end_exclusive": "2026-04-01"},
            ),
            papers.line(
                3,
                rule="site_month",
                in_advance=True,
                period={"start": "2026-05-01", "end_exclusive": "2026-06-01"},
            ),
            papers.line(
                4, kind="credit", rule="missed_service", quantity={"part": "-1", "of": 4}, amount="-3.13"
            ),
        ]
    )

    text = text_of(document)

    for said in (
        "Nordlicht Hygiene GmbH",
        "Brückner & Söhne Gastronomie KG",
        "Invoice INV-000123",
        "4500017723",
        "EK-2026/7",
        "CT-0008",
        "Harbour Arcade & Pier",
        "WR-A7K2-9",
        "27 Mar 2026",
        "1\u201331 May 2026",
        "\u22121 of 4 services",
        "late",
        "in advance",
        "credit",
        "DE02 1203 0000 0000 2020 51",
        "BYLADEM1001",
        "EUR 40.90",
        "Please pay EUR 40.90 by Monday 1 June 2026, quoting INV-000123.",
        "Page 1 of 1",
    ):
        assert said in text


def test_a_credit_note_names_its_invoice_and_asks_for_nothing():
    document = papers.credit_note([papers.line(1, credits={"number": "INV-000123", "line": 3})])

    text = text_of(document)

    assert "We give you back EUR 14.88 of invoice INV-000123 of 2 May 2026." in text
    assert "Wicks were changed under warranty." in text
    assert "line 3 of the invoice" in text
    assert "Credited" in text
    assert "IBAN" not in text
    assert "Please pay" not in text


def test_without_a_tax_there_is_no_tax_table():
    issuer = papers.issuer(regime="none", vat_id="", country="")
    note = "All amounts are net; tax is not included."

    text = text_of(papers.paper([papers.line(1, tax=None)], issuer=issuer, note=note))

    assert note in text
    assert "VAT" not in text
    assert "Tax" not in text.replace("Your tax number", "")


def test_why_no_tax_is_taken_stands_on_the_letter():
    reverse = papers.line(1)["tax"] | {"category": "AE", "rate": "0"}
    reason = "Reverse charge: the customer accounts for the tax."

    text = text_of(papers.paper([papers.line(1, tax=reverse)], reasons={"AE": reason}))

    assert "reverse charge" in text
    assert reason in text


@pytest.mark.parametrize(
    ("country", "millimetres"),
    # ISO 216 A4; ANSI Letter, 8.5 by 11 inches. Who prints on which: Unicode CLDR, from memory.
    [("DE", (210, 297)), ("JP", (210, 297)), ("US", (215.9, 279.4)), ("CA", (215.9, 279.4))],
)
def test_the_paper_is_that_of_the_sellers_country(country, millimetres):
    page = read(papers.paper([papers.line(1)], issuer=papers.issuer(country=country))).pages[0]

    points = tuple(size / 25.4 * 72 for size in millimetres)
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(points, abs=0.1)


def test_two_thousand_lines_are_all_there_and_each_page_says_which_it_is():
    lines = [
        papers.line(
            number, unit=f"WR-{number:05d}", site={"code": f"S{number // 50}", "name": f"Site {number // 50}"}
        )
        for number in range(1, 2001)
    ]

    pages = [page.extract_text() for page in read(papers.paper(lines)).pages]

    assert len(pages) > 10
    for number, text in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in text
    found = set(re.findall(r"WR-\d{5}", " ".join(pages)))
    assert found == {f"WR-{number:05d}" for number in range(1, 2001)}
    # A page that begins inside a site's lines says the site again.
    assert all(re.search(r"Site \d+", text) for text in pages[1:-1])


def test_a_letter_is_an_archive_file_that_can_be_read_aloud():
    # ISO 19005-2 (PDF/A-2, level A) and ISO 14289-1 (PDF/UA-1) mark themselves so in the metadata.
    reader = read(papers.paper([papers.line(1)]))

    metadata = reader.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in metadata
    assert "<pdfuaid:part>1</pdfuaid:part>" in metadata
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.metadata.title == "Invoice INV-000123"
    assert reader.metadata.creation_date_raw.startswith("D:20260502")


@pytest.mark.parametrize("name", ["#panic[no] *bold* $x$ @ref", 'a "quoted" \\n name', "tab\tbell\x07 end"])
def test_names_are_printed_and_never_run(name):
    text = text_of(papers.paper([papers.line(1)], customer=papers.customer(name=name)))

    assert " ".join(name.replace("\x07", " ").split()) in text


def test_a_word_longer_than_its_column_is_broken():
    name = "Donaudampfschifffahrtsgesellschaftskapitaenskajuete" * 3
    document = papers.paper([papers.line(1, item={"code": "x", "name": name})])

    page = read(document).pages[0]

    assert name not in page.extract_text()
    assert name in re.sub(r"\s|\u200b", "", page.extract_text())


@pytest.mark.parametrize("name", ["Καφενείο", "Кафе", "מסעדה", "Łódź", "مطعم"])
def test_writing_that_the_renderer_brings_fonts_for_needs_no_others(name):
    document = papers.paper([papers.line(1)], customer=papers.customer(name=name))

    content = pdf.render(document)

    # Only then is it an archive file: one with a letter that no font has can't be.
    assert b"pdfaid" in content


def test_writing_without_a_font_still_makes_a_letter():
    document = papers.paper([papers.line(1)], customer=papers.customer(name="東屋 \U0001f6bd"))

    assert "INV-000123" in text_of(document)


@pytest.mark.parametrize(
    ("values", "has_code"),
    [
        ({}, True),
        ({"currency": "JPY"}, False),
        ({"issuer": papers.issuer(iban="")}, False),
        ({"issuer": papers.issuer(iban="123")}, False),
        ({"payable": "0.00"}, False),
    ],
    ids=["euros", "yen", "no account", "an account that is no IBAN", "nothing due"],
)
def test_a_code_for_banking_apps_is_for_euros_to_an_iban(values, has_code):
    # European Payments Council EPC069-12: euros only, to an IBAN.
    document = papers.paper([papers.line(1)]) | values

    assert bool(transfer_code(document)) is has_code
    assert pdf.render(document)


@pytest.mark.parametrize(
    ("period", "said"),
    [
        (("2026-04-14", "2026-04-15"), "14 Apr 2026"),
        (("2026-04-01", "2026-05-01"), "1\u201330 Apr 2026"),
        (("2026-03-20", "2026-04-05"), "20 Mar \u2013 4 Apr 2026"),
        (("2025-12-20", "2026-01-20"), "20 Dec 2025 \u2013 19 Jan 2026"),
        (("2028-02-01", "2028-03-01"), "1\u201329 Feb 2028"),
    ],
)
def test_a_period_is_said_by_its_first_and_last_day(period, said):
    start, end = period

    assert amounts.days({"start": start, "end_exclusive": end}).replace("\u00a0", " ") == said


@pytest.mark.parametrize(
    ("price", "minor_units", "said"),
    [
        ("12.5", 2, "12.50"),
        ("7.333333", 2, "7.333333"),
        ("1250", 0, "1,250"),
        ("0.5", 3, "0.500"),
        ("-38", 2, "\u221238.00"),
    ],
)
def test_a_price_has_at_least_the_currencys_decimals(price, minor_units, said):
    assert amounts.price(price, minor_units) == said


@pytest.mark.parametrize(
    ("values", "lines"),
    [
        (
            {"street": "Kaiweg 12", "postcode": "21039", "city": "Lindhafen", "country": "DE"},
            ["Kaiweg 12", "21039 Lindhafen", "GERMANY"],
        ),
        (
            {
                "street": "77 Shore Rd",
                "postcode": "49453",
                "city": "Saugatuck",
                "subdivision": "MI",
                "country": "US",
            },
            ["77 Shore Rd", "Saugatuck, MI 49453", "UNITED STATES"],
        ),
        (
            {"street": "2 Quay St", "postcode": "ZZ1 4AB", "city": "Marlport", "country": "GB"},
            ["2 Quay St", "Marlport", "ZZ1 4AB", "UNITED KINGDOM"],
        ),
        ({"address": "c/o Port Office\n\nPier 3", "country": "XK"}, ["c/o Port Office", "Pier 3", "XK"]),
    ],
    ids=["postcode first", "town first", "a line each", "as it was typed"],
)
def test_an_address_stands_as_its_country_writes_it(values, lines):
    # Universal Postal Union S42, from memory: the order of town and postcode, and the country last in capitals.
    assert amounts.address(papers.party(**values), abroad=True) == lines
    assert amounts.address(papers.party(**values), abroad=False) == lines[:-1]
