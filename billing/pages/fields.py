"""The fields that forms of money are made of, and a refusal said beside the field that it is about."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any, ClassVar

from django import forms
from django.utils.formats import get_format
from django.utils.functional import lazy

from accounts import phrases
from accounts.languages import N_, _
from billing.rules.money import MINOR_UNITS, PRICE_DECIMALS

Choices = list[tuple[str, str]]
Groups = tuple[tuple[str, tuple[str, ...]], ...]

MOST_DIGITS = 16
# Fields are made once, and shown in many languages: their words are put into one when they are shown.
later: Any = lazy(_, str)


def words(choices: Iterable[tuple[str, str]]) -> Choices:
    """Choices whose words are ours, not somebody's data."""
    return [(value, later(word)) for value, word in choices]


def day(
    label: str, *, required: bool = True, help_text: str = "", initial: date | None = None
) -> forms.DateField:
    return forms.DateField(
        label=later(label),
        required=required,
        help_text=later(help_text),
        initial=initial,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        input_formats=["%Y-%m-%d"],
        error_messages=dict.fromkeys(("required", "invalid"), later(N_("Enter a day, such as 2026-07-01."))),
    )


def month(label: str, *, required: bool = True, help_text: str = "") -> forms.DateField:
    """A month, as its first day. Where a browser knows no field for months it is typed."""
    return forms.DateField(
        label=later(label),
        required=required,
        help_text=later(help_text),
        widget=forms.DateInput(
            attrs={"type": "month", "pattern": r"\d{4}-\d{2}", "placeholder": "2026-06"}, format="%Y-%m"
        ),
        input_formats=["%Y-%m", "%Y-%m-%d"],
        error_messages=dict.fromkeys(
            ("required", "invalid"), later(N_("Enter a month as year and month, such as 2026-06."))
        ),
    )


def amount(
    label: str, *, required: bool = True, help_text: str = "", decimals: int = PRICE_DECIMALS
) -> forms.DecimalField:
    """Money, never negative; the command knows the currency's minor units."""
    said = later(N_("Enter an amount, such as 12.50: digits, and a point before the decimals."))
    return TypedDecimal(
        label=later(label),
        required=required,
        help_text=later(help_text),
        min_value=0,
        max_digits=MOST_DIGITS,
        decimal_places=decimals,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        error_messages={
            "required": said,
            "invalid": said,
            "min_value": later(N_("An amount can't be negative.")),
            "max_decimal_places": later(N_("There are at most {decimals} decimals."), decimals=decimals),
        },
    )


def percent(
    label: str, *, required: bool = True, help_text: str = "", least: int = 0, decimals: int = 4
) -> forms.DecimalField:
    said = later(N_("Enter a percentage, such as 19 or 8.1."))
    return TypedDecimal(
        label=later(label),
        required=required,
        help_text=later(help_text),
        min_value=least,
        max_value=100,
        decimal_places=decimals,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        error_messages=dict.fromkeys(("required", "invalid", "min_value", "max_value"), said),
    )


# A number as people group its digits by points where the comma is the decimal sign: 1.234 or 1.234,50.
GROUPED = re.compile(r"[1-9]\d{0,2}(\.\d{3})+(,\d+)?")


class TypedDecimal(forms.DecimalField):
    """A decimal as the locale writes it; a point before the decimals is understood everywhere."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(localize=True, **kwargs)

    def to_python(self, value: Any) -> Any:
        if isinstance(value, str) and get_format("DECIMAL_SEPARATOR") == ",":
            typed = value.strip()
            value = typed.replace(".", "") if GROUPED.fullmatch(typed) else typed
        return super().to_python(value)


def _whole_number(least: int, most: int) -> str:
    return _(
        "Enter a whole number from {least} to {most}.",
        least=phrases.number(least),
        most=phrases.number(most),
    )


_from_to: Any = lazy(_whole_number, str)


def number(
    label: str, most: int, *, least: int = 0, help_text: str = "", required: bool = True
) -> forms.IntegerField:
    said = _from_to(least, most)
    return forms.IntegerField(
        label=later(label),
        min_value=least,
        max_value=most,
        help_text=later(help_text),
        required=required,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
        error_messages=dict.fromkeys(("required", "invalid", "min_value", "max_value"), said),
    )


def text(
    label: str, most: int, *, required: bool = True, help_text: str = "", **attrs: str
) -> forms.CharField:
    return forms.CharField(
        label=later(label),
        max_length=most,
        required=required,
        help_text=later(help_text),
        widget=forms.TextInput(attrs={"autocomplete": "off", **attrs}),
        error_messages={"required": later(N_("Fill this in."))},
    )


def choice(
    label: str, choices: Iterable[tuple[str, str]], *, required: bool = True, help_text: str = ""
) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=later(label),
        choices=list(choices),
        required=required,
        help_text=later(help_text),
        error_messages=dict.fromkeys(("required", "invalid_choice"), later(N_("Choose one of the list."))),
    )


def tick(label: str, help_text: str = "") -> forms.BooleanField:
    return forms.BooleanField(label=later(label), required=False, help_text=later(help_text))


def currency(label: str = N_("Currency"), *, required: bool = True) -> forms.ChoiceField:
    return choice(label, [(code, code) for code in sorted(MINOR_UNITS)], required=required)


class GroupedForm(forms.Form):
    """A long form in parts, each with a heading of its own."""

    groups: ClassVar[Groups] = ()

    @property
    def parts(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        for legend, names in self.groups:
            fields = [self[name] for name in names if name in self.fields]
            if fields:
                yield _(legend), fields


def values_of(form: forms.Form, **more: Any) -> dict[str, Any]:
    return {**form.cleaned_data, **more}
