"""What is taxed as what, by whose rate of which day, and how tax is rounded."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given as suppose
from hypothesis import settings
from hypothesis import strategies as st

from billing.rules.money import TWO_DECIMALS_POLICY, UnknownPolicy, policy_for, rounded_to, step_of
from billing.rules.parties import Rate, SiteTax
from billing.rules.rating import Rule
from billing.rules.tax import NoRate, Taxed, tax_groups, tax_of, tax_point, taxed
from tests.billing.paper import BUYER, REDUCED, SELLER, STANDARD, given, line
from tests.billing.plain import HARBOUR, OCTOBER, SEPTEMBER, uid

CENT = Decimal("0.01")


def as_taxed(rate, category="S", where="DE"):
    return Taxed("standard", category, Decimal(rate), where, "", "")


def groups(*lines, step=CENT, basis="invoice"):
    found = tax_groups([(Decimal(a), as_taxed(r)) for a, r in lines], step=step, basis=basis)
    return [(str(g.rate), str(g.base), str(g.tax)) for g in found]


@pytest.mark.parametrize(("amount", "tax"), [("100.50", "25.13"), ("-100.50", "-25.13")])
def test_the_half_cent_of_a_group_rounds_away_from_zero(amount, tax):
    # ConnectingEurope/eInvoicing-EN16931 issue 119, recomputed: 25 % of 100.50 is 25.125.
    assert groups((amount, "25")) == [("25", amount, tax)]


def test_vat_is_rounded_on_the_group_and_not_line_by_line():
    # ConnectingEurope/eInvoicing-EN16931 issues 143 and 160, recomputed: 2 x 348.11 at 25 % is 174.055; by line it would
    # be 2 x 87.03 = 174.06, and here both give 174.06. 19935.66 at 15 % is 2990.349.
    assert groups(("348.11", "25"), ("348.11", "25")) == [("25", "696.22", "174.06")]
    assert groups(("19935.66", "15")) == [("15", "19935.66", "2990.35")]
    # Recomputed by hand: 3 x 0.10 at 5 % is 0.015, by line 3 x 0.005 = 3 x 0.01.
    assert groups(*[("0.10", "5")] * 3) == [("5", "0.30", "0.02")]
    assert groups(*[("0.10", "5")] * 3, basis="item") == [("5", "0.30", "0.03")]


def test_each_rate_of_a_category_has_a_group_of_its_own():
    # Sums of ubl-tc434-example4 of ConnectingEurope/eInvoicing-EN16931: S 12 % of 2500 is 300, S 25 % of 1500 is 375.
    assert groups(("1500.00", "25"), ("2500.00", "12")) == [
        ("12", "2500.00", "300.00"),
        ("25", "1500.00", "375.00"),
    ]


@pytest.mark.parametrize(
    ("tax", "cents"),
    [("0.8249", "0.82"), ("0.825", "0.83"), ("0.8250", "0.83"), ("0.8299", "0.83"), ("-0.825", "-0.83")],
)
def test_sales_tax_is_carried_to_the_third_decimal_and_rounds_up_above_four(tax, cents):
    # Streamlined Sales and Use Tax Agreement section 324, as enacted in RI 44-18.1-25 and KS 79-3676.
    assert tax_of(Decimal(tax), Decimal(100), CENT) == Decimal(cents)


@settings(deadline=None)
@suppose(units=st.integers(0, 10**7), rate=st.integers(0, 200_000))
def test_rounding_half_away_from_zero_is_what_the_agreement_says_by_its_third_decimal(units, rate):
    # The statute's own words as integers: whole thousandths of a dollar (cut), and a cent up where the last exceeds four.
    exact = units * rate  # cents times ten-thousandths of a percent: 10^-8 dollars
    thousandths = exact // 10**5
    cents = thousandths // 10 + (thousandths % 10 > 4)
    assert tax_of(Decimal(units) / 100, Decimal(rate) / 10_000, CENT) == Decimal(cents) / 100


@pytest.mark.parametrize(
    ("currency", "base", "tax"),
    [("JPY", "1005", "101"), ("KWD", "10.055", "1.006"), ("EUR", "10.05", "1.01")],
)
def test_tax_has_the_minor_units_of_its_currency(currency, base, tax):
    # Half of the last place at 10 %, away from zero: recomputed by hand.
    step = step_of(policy_for(currency, e_invoicing=False), currency)
    assert groups((base, "10"), step=step) == [("10", base, tax)]


def test_an_e_invoice_in_dinars_has_two_decimals():
    # EN 16931 BR-DEC-01 to 28: no amount has more than two decimals.
    assert policy_for("KWD", e_invoicing=True) == TWO_DECIMALS_POLICY
    assert step_of(TWO_DECIMALS_POLICY, "KWD") == CENT
    assert step_of(TWO_DECIMALS_POLICY, "JPY") == 1
    assert policy_for("EUR", e_invoicing=True) == policy_for("EUR", e_invoicing=False)
    with pytest.raises(UnknownPolicy):
        step_of("half-even/line/1", "EUR")


def test_a_cash_total_is_rounded_to_its_step():
    # 0.05 steps as where the smallest coin is 5 hundredths: 1.02 to 1.00, 1.03 to 1.05 (common practice, no source).
    assert [rounded_to(Decimal(a), Decimal("0.05")) for a in ("1.02", "1.03", "1.075", "-1.025")] == [
        Decimal(a) for a in ("1.00", "1.05", "1.10", "-1.05")
    ]


@pytest.mark.parametrize(
    ("treatment", "category"),
    [("reverse_charge", "AE"), ("intra_community", "K"), ("export", "G"), ("exempt", "E"), ("outside", "O")],
)
def test_a_treatment_of_the_buyer_is_its_category_without_tax_and_with_a_reason(treatment, category):
    found = taxed(line("10.00"), given(tax_treatment=treatment))
    assert (found.category, found.rate) == (category, 0)
    assert found.reason
    own = taxed(line("10.00"), given(tax_treatment=treatment, exemption_reason="Article 44"))
    assert own.reason == "Article 44"


def test_the_rate_is_that_of_the_class_and_without_trailing_zeros():
    found = taxed(line("10.00", tax_class="reduced"), given())
    assert (found.category, str(found.rate), found.name) == ("S", "7", "VAT 7 %")
    zero = Rate("DE", "zero", "E", Decimal("0.0000"), "", "", date(2020, 1, 1), None)
    assert taxed(line("10.00", tax_class="zero"), given(zero)).reason == "Exempt from tax."


def test_a_seller_without_a_regime_takes_no_tax():
    assert taxed(line("10.00"), given(seller=replace(SELLER, regime="none"))) is None


def test_the_site_goes_before_the_payer_and_the_payer_before_the_seller():
    rates = [replace(STANDARD, jurisdiction=where) for where in ("DE", "US-CO", "US-NE")]
    bare, payer = given(*rates), given(*rates, tax_jurisdiction="US-NE")
    site = replace(payer, site_taxes={HARBOUR: SiteTax(HARBOUR, "US-CO")})
    assert [taxed(line("10.00"), one).jurisdiction for one in (bare, payer, site)] == ["DE", "US-NE", "US-CO"]
    elsewhere = replace(SELLER, tax_jurisdiction="US-CO")
    assert taxed(line("10.00"), given(*rates, seller=elsewhere)).jurisdiction == "US-CO"


def test_who_pays_for_a_customer_decides_the_treatment():
    inputs = given(bill_to_id=uid("customer MILL"))
    payer = replace(
        inputs.profile_of(BUYER), customer_id=uid("customer MILL"), bill_to_id=None, tax_treatment="export"
    )
    assert (
        taxed(line("10.00"), replace(inputs, profiles=inputs.profiles | {payer.customer_id: payer})).category
        == "G"
    )


CHANGE = date(2026, 9, 15)
BEFORE = replace(STANDARD, rate=Decimal(16), effective_to=CHANGE)
AFTER = replace(STANDARD, effective_from=CHANGE)


@pytest.mark.parametrize(
    ("rule", "service_on", "ends_before", "rate"),
    [
        (Rule.EVENT, date(2026, 9, 14), OCTOBER, 16),
        (Rule.EVENT, date(2026, 9, 15), OCTOBER, 19),
        (Rule.UNIT_MONTH, SEPTEMBER, OCTOBER, 19),
        (Rule.UNIT_MONTH, SEPTEMBER, date(2026, 9, 15), 16),
        (Rule.SITE_MONTH, SEPTEMBER, date(2026, 9, 16), 19),
    ],
)
def test_the_rate_is_that_of_the_day_of_the_work_or_of_the_last_day_charged(
    rule, service_on, ends_before, rate
):
    charged = line("10.00", rule=rule, service_on=service_on, ends_before=ends_before)
    assert taxed(charged, given(BEFORE, AFTER)).rate == rate


def test_a_missing_rate_says_where_for_what_and_when():
    gap = given(replace(STANDARD, effective_to=SEPTEMBER))
    with pytest.raises(NoRate, match="no standard tax rate in DE on 2026-09-14"):
        taxed(line("10.00"), gap)
    assert tax_point(line("10.00").charge) == date(2026, 9, 14)


AMOUNTS = st.integers(-(10**6), 10**6)
RATES = st.sampled_from(["0", "7", "8.875", "19", "25"])
STEPS = st.sampled_from([Decimal(1), CENT, Decimal("0.001")])


@settings(deadline=None)
@suppose(lines=st.lists(st.tuples(AMOUNTS, RATES)), step=STEPS, basis=st.sampled_from(["invoice", "item"]))
def test_a_groups_base_is_the_sum_of_its_lines_and_its_tax_a_multiple_of_the_step(lines, step, basis):
    # Invariant 2 of billing; the order of lines has no say.
    made = [(units * step, as_taxed(rate)) for units, rate in lines]
    found = tax_groups(made, step=step, basis=basis)
    assert {g.rate: g.base for g in found} == {
        Decimal(rate): sum(units * step for units, r in lines if r == rate) for rate in {r for _, r in lines}
    }
    assert all(group.tax % step == 0 for group in found)
    half = step / 2 * (1 if basis == "invoice" else len(lines))
    assert all(abs(group.tax - group.base * group.rate / 100) <= half for group in found)
    assert tax_groups(reversed(made), step=step, basis=basis) == found


def test_rates_that_look_alike_are_one_group():
    assert REDUCED.rate == Decimal(7)
    lines = [line("10.00", "a"), line("5.00", "b")]
    inputs = [given(replace(STANDARD, rate=Decimal(rate))) for rate in ("20", "20.0000")]
    made = [(one.charge.amount, taxed(one, one_given)) for one, one_given in zip(lines, inputs, strict=True)]
    assert [str(group.rate) for group in tax_groups(made, step=CENT)] == ["20"]
