"""The recomputing that our own documents are held to, held to examples that others published."""

from __future__ import annotations

from decimal import Decimal

import pytest

from tests.billing.electronic.recomputing import ZERO, followed, rounded


def parts(*given: tuple[str, str, str]) -> list[tuple[str, Decimal, Decimal]]:
    return [(category, Decimal(rate), Decimal(amount)) for category, rate, amount in given]


# Line amounts as the files state them: an official example (the first) has lines whose quantity times price is not
# their amount. EN: ConnectingEurope/eInvoicing-EN16931 ubl/examples. Peppol: OpenPEPPOL/peppol-bis-invoice-3
# rules/examples. All read at the source.
PUBLISHED = {
    # EN ubl-tc434-example3.xml
    "two rates and a charge": (
        {
            "lines": parts(("S", "25", "800.00"), ("S", "10", "800.00")),
            "charges": parts(("S", "25", "100.00")),
        },
        {("S", "25"): ("900.00", "225.00"), ("S", "10"): ("800.00", "80.00")},
        ("1600.00", "1700.00", "305.00", "2005.00", "2005.00"),
    ),
    # EN ubl-tc434-example4.xml
    "two rates": (
        {"lines": parts(("S", "25", "1000.00"), ("S", "25", "500.00"), ("S", "12", "2500.00"))},
        {("S", "25"): ("1500.00", "375.00"), ("S", "12"): ("2500.00", "300.00")},
        ("4000.00", "4000.00", "675.00", "4675.00", "4675.00"),
    ),
    # EN ubl-tc434-example7.xml
    "not subject to tax": (
        {"lines": parts(("O", "0", "2500.00"), ("O", "0", "700.00"))},
        {("O", "0"): ("3200.00", "0.00")},
        ("3200.00", "3200.00", "0.00", "3200.00", "3200.00"),
    ),
    # EN ubl-tc434-example9.xml
    "months of a licence": (
        {"lines": parts(("S", "21", "147.00"))},
        {("S", "21"): ("147.00", "30.87")},
        ("147.00", "147.00", "30.87", "177.87", "177.87"),
    ),
    # EN ubl-tc434-creditnote1.xml
    "an exempt credit note": (
        {"lines": parts(("E", "0.00", "100.11"))},
        {("E", "0"): ("100.11", "0.00")},
        ("100.11", "100.11", "0.00", "100.11", "100.11"),
    ),
    # Peppol base-example.xml; base-creditnote-correction.xml states the same figures
    "a charge on the document": (
        {
            "lines": parts(("S", "25.0", "2800"), ("S", "25.0", "-1500")),
            "charges": parts(("S", "25.0", "25")),
        },
        {("S", "25"): ("1325", "331.25")},
        ("1300", "1325", "331.25", "1656.25", "1656.25"),
    ),
    # Peppol base-negative-inv-correction.xml
    "a correction in the negative": (
        {
            "lines": parts(("S", "25.0", "-2800"), ("S", "25.0", "1500")),
            "charges": parts(("S", "25.0", "-25")),
        },
        {("S", "25"): ("-1325", "-331.25")},
        ("-1300", "-1325", "-331.25", "-1656.25", "-1656.25"),
    ),
}


@pytest.mark.parametrize(("given", "groups", "totals"), PUBLISHED.values(), ids=PUBLISHED)
def test_a_published_example_comes_out(given, groups, totals):
    amounts = followed(**given)

    assert amounts.groups == {
        (category, Decimal(rate)): (Decimal(base), Decimal(tax))
        for (category, rate), (base, tax) in groups.items()
    }
    assert (amounts.lines, amounts.net, amounts.tax, amounts.gross, amounts.payable) == tuple(
        map(Decimal, totals)
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_a_half_cent_of_tax_goes_away_from_zero(sign):
    # ConnectingEurope/eInvoicing-EN16931 issue 119, recomputed: 25 % of 100.50 is 25.125; half to even gives 25.12.
    amounts = followed([("S", Decimal(25), sign * Decimal("100.50"))])

    assert amounts.tax == sign * Decimal("25.13")


def test_tax_is_of_the_group_and_not_of_its_lines():
    # ConnectingEurope/eInvoicing-EN16931 issue 143, recomputed: two lines of 348.11 at 25 % are 174.055, rounded once;
    # line by line they would be 2 x 87.03 = 174.06 too, but 3 lines of 0.02 at 25 % are 0.015 and not 3 x 0.01.
    assert followed(parts(("S", "25", "348.11"), ("S", "25", "348.11"))).tax == Decimal("174.06")
    assert followed(parts(*[("S", "25", "0.02")] * 3)).tax == Decimal("0.02")


def test_a_paid_amount_and_a_rounding_change_only_what_is_payable():
    # EN 16931-1 BR-CO-16: due = gross - paid + rounding; figures our own.
    amounts = followed(parts(("S", "19", "10.00")), paid=Decimal("1.00"), rounding=Decimal("0.05"))

    assert (amounts.gross, amounts.payable) == (Decimal("11.90"), Decimal("10.95"))


def test_rounding_is_to_the_minor_unit():
    # ISO 4217: the yen has no minor unit; half away from zero.
    assert (rounded(Decimal("0.5"), 0), rounded(Decimal("-0.5"), 0), rounded(ZERO, 0)) == (1, -1, 0)
