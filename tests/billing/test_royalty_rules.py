"""Royalty arithmetic. Marginal tiers work as marginal tax bands do; the figures are computed by hand beside each case.

Franchise agreements have no public standard for it: common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.rules.royalty import Basis, Terms, Tier, reckoned, share_paid, tier_problems

JUNE = date(2026, 6, 1)


def terms(*tiers, minimum=0, fund=0, currency="EUR"):
    return Terms(
        JUNE,
        "Drip Network",
        Basis.BILLED,
        tuple(Tier(None if upto is None else Decimal(upto), Decimal(percent)) for upto, percent in tiers),
        Decimal(minimum),
        Decimal(fund),
        currency,
    )


GRADED = terms(("10000", "8"), ("50000", "6"), (None, "4"))


@pytest.mark.parametrize(
    ("base", "parts", "royalty"),
    [
        # 8 % of 9,000.
        ("9000.00", ["720.00", "0", "0"], "720.00"),
        # 8 % of 10,000, and the tier's end belongs to it.
        ("10000.00", ["800.00", "0", "0"], "800.00"),
        # 800 + 6 % of the 2,345.67 above 10,000 = 140.7402.
        ("12345.67", ["800.00", "140.74", "0"], "940.74"),
        # 800 + 6 % of 40,000 + 4 % of 10,000.
        ("60000.00", ["800.00", "2400.00", "400.00"], "3600.00"),
        ("0", ["0", "0", "0"], "0"),
    ],
)
def test_each_percentage_is_of_its_own_tier_only(base, parts, royalty):
    found = reckoned(Decimal(base), Decimal(0), GRADED)

    assert [tier.royalty for tier in found.tiers] == [Decimal(part) for part in parts]
    assert found.royalty == Decimal(royalty)
    assert sum(tier.base for tier in found.tiers) == Decimal(base)


def test_the_royalty_is_rounded_once_and_its_parts_sum_to_it():
    # 5 % of 0.10, 0.10 and 0.10 is 0.005 each: by parts 0.03, of the whole 0.015, which is 0.02 half away from zero.
    found = reckoned(Decimal("0.30"), Decimal(0), terms(("0.10", "5"), ("0.20", "5"), (None, "5")))

    assert found.royalty == Decimal("0.02")
    assert [tier.royalty for tier in found.tiers] == [Decimal("0.01"), Decimal("0.01"), Decimal("0.00")]


def test_the_least_royalty_stands_in_place_of_less_and_never_beside_it():
    flat = terms((None, "6"), minimum="100")

    below, at, above = (reckoned(Decimal(base), Decimal(0), flat) for base in ("1000", "1666.67", "2000"))

    # 6 % of 1,000 = 60; of 1,666.67 = 100.0002; of 2,000 = 120.
    assert [(one.royalty, one.is_minimum) for one in (below, at, above)] == [
        (Decimal(100), True),
        (Decimal("100.00"), False),
        (Decimal("120.00"), False),
    ]


def test_the_fund_is_a_part_of_the_same_base_beside_the_royalty():
    found = reckoned(Decimal("12345.67"), Decimal(0), terms((None, "6"), fund="2"))

    # 6 % = 740.7402, 2 % = 246.9134.
    assert (found.royalty, found.fund) == (Decimal("740.74"), Decimal("246.91"))


def test_a_base_of_less_than_nothing_owes_the_minimum_and_is_carried():
    flat = terms((None, "10"), minimum="25", fund="1")

    march = reckoned(Decimal("-300.00"), Decimal(0), flat)
    april = reckoned(Decimal("200.00"), march.carried_out, flat)
    may = reckoned(Decimal("1000.00"), april.carried_out, flat)

    assert (march.royalty, march.fund, march.carried_out) == (Decimal(25), 0, Decimal("-300.00"))
    assert (april.royalty, april.subject, april.carried_out) == (Decimal(25), 0, Decimal("-100.00"))
    # 10 % and 1 % of 1,000 - 100.
    assert (may.royalty, may.fund, may.carried_out) == (Decimal("90.00"), Decimal("9.00"), 0)


@pytest.mark.parametrize(
    ("currency", "base", "royalty", "fund"),
    [
        # 6.5 % and 1.5 % of 12,345 = 802.425 and 185.175: no decimals in JPY, three in KWD (ISO 4217).
        ("JPY", "12345", "802", "185"),
        ("KWD", "12345", "802.425", "185.175"),
    ],
)
def test_amounts_have_the_currencys_minor_units(currency, base, royalty, fund):
    found = reckoned(Decimal(base), Decimal(0), terms((None, "6.5"), fund="1.5", currency=currency))

    assert (found.royalty, found.fund) == (Decimal(royalty), Decimal(fund))


def test_parts_paid_of_a_document_come_to_its_net():
    # 119.00 of which 100.00 net, paid in thirds.
    paid = [Decimal("39.67"), Decimal("79.34"), Decimal("119.00")]

    shares = [share_paid(Decimal(100), Decimal(119), until, "EUR") for until in paid]

    # 39.67 x 100 / 119 = 33.336, 79.34 x 100 / 119 = 66.672.
    assert shares == [Decimal("33.34"), Decimal("66.67"), Decimal("100.00")]


def wrong(*tiers, fund=0):
    return {
        (place, code) for place, code, _ in tier_problems(terms(*tiers).tiers if tiers else (), Decimal(fund))
    }


def test_tiers_that_are_none_are_told_apart():
    assert wrong(("10", "8"), (None, "6"), fund=2) == set()
    assert wrong() == {(None, "no-tiers")}
    assert wrong((None, "101")) == {(0, "percent")}
    assert wrong((None, "99"), fund=2) == {(0, "percent")}
    assert wrong(("10", "8")) == {(0, "upto")}
    assert wrong((None, "8"), (None, "6")) == {(0, "upto")}
    assert wrong(("10", "8"), ("10", "7"), (None, "6")) == {(0, "upto")}
    assert wrong(("0", "8"), (None, "6")) == {(0, "upto")}


amounts = st.decimals(0, 10**7, places=2)
percents = st.decimals(0, 60, places=2)


@st.composite
def agreed(draw):
    ends = sorted(draw(st.sets(st.integers(1, 10**6), max_size=3)))
    bounds = [*(Decimal(end) for end in ends), None]
    return terms(
        *((None if end is None else str(end), str(draw(percents))) for end in bounds),
        minimum=0,
        fund=str(draw(st.decimals(0, 40, places=2))),
    )


@given(amounts, agreed())
def test_royalty_and_fund_never_take_more_than_the_base(base, some):
    found = reckoned(base, Decimal(0), some)

    assert found.royalty >= 0
    assert found.fund >= 0
    assert found.royalty + found.fund <= base


@given(amounts, agreed())
def test_the_royalty_is_the_exact_one_rounded_half_away_from_zero(base, some):
    # Independently, in fractions: the integral of the percentage over the base.
    exact, below = Fraction(0), Fraction(0)
    for tier in some.tiers:
        end = Fraction(base) if tier.upto is None else min(Fraction(base), Fraction(tier.upto))
        exact += max(end - below, Fraction(0)) * Fraction(tier.percent) / 100
        below = max(below, end)

    assert reckoned(base, Decimal(0), some).royalty == Decimal(int(exact * 100 + Fraction(1, 2))) / 100


@given(amounts, amounts, st.lists(percents, min_size=2, max_size=2))
def test_two_bases_apart_owe_no_more_than_together_where_the_tiers_rise(first, second, some):
    lower, higher = sorted(some)
    rising = terms(("1000", str(lower)), (None, str(higher)))

    apart = sum(reckoned(base, Decimal(0), rising).royalty for base in (first, second))
    together = reckoned(first + second, Decimal(0), rising).royalty

    # A cent for the two roundings against one.
    assert apart <= together + Decimal("0.01")
