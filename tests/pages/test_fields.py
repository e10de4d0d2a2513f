"""Fields that take an operator's own units: what is typed, what comes of it, and what is shown again."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from django import forms

from accounts.languages import Manner, speaking
from accounts.pages import DayField, HardnessField, VolumeField, decimal_typed


class Filling(forms.Form):
    charge = VolumeField(least_ml=1)
    water = HardnessField(required=False)
    on = DayField(required=False)


@pytest.fixture
def in_us() -> Iterator[None]:
    with speaking(Manner("en-US", "us")):
        yield


def filled(**typed: Any) -> Filling:
    form = Filling(typed)
    form.is_valid()
    return form


@pytest.mark.usefixtures("in_us")
def test_fluid_ounces_become_whole_ml_and_come_back_the_same() -> None:
    # 1 US fl oz = 29.5735295625 mL exactly (NIST Handbook 44, appendix C): 9.5 x 29.5735 = 280.95.
    assert filled(charge="9.5").cleaned_data["charge"] == 281
    for ml in range(1, 2_000):
        shown = Filling(initial={"charge": ml})["charge"].value()
        assert filled(charge=shown).cleaned_data["charge"] == ml


@pytest.mark.usefixtures("in_us")
def test_grains_per_gallon_become_whole_mg_per_litre_and_come_back_the_same() -> None:
    # One grain per US gallon is 17.118 mg/L (64.79891 mg in 3.785411784 L, NIST Handbook 44): 14 give 239.65.
    assert filled(charge="1", water="14").cleaned_data["water"] == 240
    for mg in range(1, 1_000):
        shown = Filling(initial={"water": mg})["water"].value()
        assert filled(charge="1", water=shown).cleaned_data["water"] == mg


def test_what_is_no_number_or_too_much_is_said_in_the_operators_unit() -> None:
    form = filled(charge="lots", water="5000", on="tomorrow")
    assert form.errors["charge"] == ["Enter a number, such as 9.5."]
    assert form.errors["water"] == ["Enter a hardness of at most 2,000 mg/L."]
    assert form.errors["on"] == ["Enter a day, such as 2026-07-01."]
    assert form["charge"].value() == "lots"
    with speaking(Manner("en-US", "us")):
        assert filled(charge="0").errors["charge"] == ["Enter a volume from 0.0 fl oz to 676.3 fl oz."]


@pytest.mark.parametrize(
    ("locale", "typed", "number"),
    [
        ("en-GB", "9.5", "9.5"),
        ("en-GB", "1,234", "1234"),
        ("en-GB", "9,5", None),
        ("de-DE", "9,5", "9.5"),
        ("de-DE", "9.5", "9.5"),
        ("de-DE", "1.234,5", "1234.5"),
        ("de-DE", "neun", None),
        ("en-US", "1e3", None),
        ("en-US", " -53.1 ", "-53.1"),
    ],
)
def test_numbers_are_read_with_the_signs_of_the_locale(locale: str, typed: str, number: str | None) -> None:
    with speaking(Manner(locale)):
        assert decimal_typed(typed) == (None if number is None else Decimal(number))
