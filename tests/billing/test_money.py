"""Rounding, minor units and splitting, against published figures."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.rules.money import UnknownCurrency, allocated, minor_units, rounded, share_of


@pytest.mark.parametrize(("amount", "tax"), [("100.50", "25.13"), ("-100.50", "-25.13")])
def test_a_half_cent_rounds_away_from_zero(amount, tax):
    # ConnectingEurope/eInvoicing-EN16931 issue 119, recomputed: 25 % of 100.50 is 25.125.
    assert rounded(Decimal(amount) * Decimal("0.25"), "EUR") == Decimal(tax)


@pytest.mark.parametrize(
    ("base", "percent", "tax"),
    [("19935.66", "15", "2990.35"), ("696.22", "25", "174.06"), ("348.11", "25", "87.03")],
)
def test_the_figures_of_the_en_16931_threads_come_out(base, percent, tax):
    # ConnectingEurope/eInvoicing-EN16931 issues 143 and 160, recomputed: 2 x 348.11 at 25 % is 174.055.
    assert rounded(Decimal(base) * Decimal(percent) / 100, "EUR") == Decimal(tax)


@pytest.mark.parametrize(
    ("currency", "decimals"),
    [
        ("EUR", 2),
        ("USD", 2),
        ("JPY", 0),
        ("KRW", 0),
        ("ISK", 0),
        ("KWD", 3),
        ("BHD", 3),
        ("TND", 3),
        ("CLF", 4),
    ],
)
def test_a_currency_has_the_minor_units_of_iso_4217(currency, decimals):
    # ISO 4217 table A.1 as of 2026-01-01.
    assert minor_units(currency) == decimals


@pytest.mark.parametrize("code", ["XAU", "XXX", "EURO", "eur", ""])
def test_a_code_without_minor_units_is_refused(code):
    with pytest.raises(UnknownCurrency):
        minor_units(code)


def test_amounts_are_rounded_to_the_currencys_own_minor_unit():
    assert rounded(Decimal("1234.5"), "JPY") == Decimal(1235)
    assert rounded(Decimal("-1234.5"), "JPY") == Decimal(-1235)
    assert rounded(Decimal("1.2345"), "KWD") == Decimal("1.235")
    assert share_of(Decimal(10), Decimal(10), 30, "EUR") == Decimal("3.33")


@pytest.mark.parametrize(
    ("total", "weights", "parts"),
    [
        ("0.05", {"a": 70, "b": 30}, {"a": "0.04", "b": "0.01"}),
        ("0.05", {"a": 30, "b": 70}, {"a": "0.02", "b": "0.03"}),
        ("8.00", {"a": 1, "b": 1, "c": 1}, {"a": "2.67", "b": "2.67", "c": "2.66"}),
        ("-8.00", {"c": 1, "b": 1, "a": 1}, {"a": "-2.67", "b": "-2.67", "c": "-2.66"}),
    ],
)
def test_a_split_gives_what_is_left_to_the_largest_remainders(total, weights, parts):
    # The first three are moneyphp/money doc/features/allocation.rst; equal remainders go by the key here, so the
    # order in which the weights are given has no say.
    split = allocated(Decimal(total), {key: Decimal(weight) for key, weight in weights.items()}, "EUR")
    assert split == {key: Decimal(part) for key, part in parts.items()}


WEIGHTS = st.dictionaries(
    st.text("abcdef", min_size=1, max_size=3), st.integers(1, 62).map(Decimal), min_size=1
)


@settings(deadline=None)
@given(total=st.integers(-(10**7), 10**7), weights=WEIGHTS, currency=st.sampled_from(["EUR", "JPY", "KWD"]))
def test_parts_sum_to_the_whole_and_none_is_off_by_a_minor_unit(total, weights, currency):
    unit = Decimal(1).scaleb(-minor_units(currency))
    whole = total * unit
    split = allocated(whole, weights, currency)
    assert sum(split.values()) == whole
    assert split == allocated(whole, dict(reversed(weights.items())), currency)
    share = sum(weights.values())
    assert all(abs(split[key] - whole * weight / share) < unit for key, weight in weights.items())
