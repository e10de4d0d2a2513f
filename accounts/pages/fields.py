"""Fields that forms of several apps are made of, and a refusal said beside the field that it is about.

A volume or a hardness is typed in the operator's unit, with the decimal sign of the reader's locale, and cleaned to the
whole mL or mg/L that commands take; what a form begins with is given in mL and mg/L too. ``unit`` is for the label.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from babel.numbers import get_decimal_symbol, get_group_symbol
from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from accounts import phrases
from accounts.errors import Refusal
from accounts.languages import _, cldr, manner

Choices = list[tuple[str, str]]

_HUNDREDTH = Decimal("0.01")
_PLAIN_NUMBER = re.compile(r"[+-]?\d{1,9}(\.\d{1,9})?\Z")


def decimal_typed(text: str) -> Decimal | None:
    """A number as people of the moment's locale type it: "9.5", "9,5" in German, "1,234" in English; None for no number."""
    locale = cldr(manner().locale)
    point, group = get_decimal_symbol(locale), get_group_symbol(locale)
    typed = text.strip().replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", "").replace(" ", "")
    if point == "," and "," in typed:
        typed = typed.replace(".", "").replace(",", ".")
    elif point == ".":
        typed = re.sub(rf"(?<=\d){re.escape(group)}(?=\d{{3}}(\D|\Z))", "", typed)
    return Decimal(typed) if _PLAIN_NUMBER.match(typed) else None


class DayField(forms.DateField):
    """A date, by the browser's own field for dates."""

    default_error_messages = {
        "required": gettext_lazy("Enter a day, such as 2026-07-01."),
        "invalid": gettext_lazy("Enter a day, such as 2026-07-01."),
    }

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
        super().__init__(input_formats=["%Y-%m-%d"], **kwargs)


class _Typed(forms.Field):
    """A number with decimals, in a unit of the moment."""

    default_error_messages = {"required": gettext_lazy("Fill this in.")}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> Decimal | None:
        if value in self.empty_values:
            return None
        typed = decimal_typed(str(value))
        if typed is None:
            raise ValidationError(_("Enter a number, such as {example}.", example=phrases.number(9.5, 1)))
        return typed


def _shown(value: Decimal) -> str:
    """Up to two decimals, without grouping, as it would be typed."""
    plain = f"{value.quantize(_HUNDREDTH, ROUND_HALF_UP):f}".rstrip("0").rstrip(".")
    return plain.replace(".", get_decimal_symbol(cldr(manner().locale)))


class VolumeField(_Typed):
    """A volume typed in mL or US fluid ounces; whole mL from ``least_ml`` to ``most_ml``, both included."""

    def __init__(self, *, least_ml: int = 0, most_ml: int = 20_000, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.least_ml, self.most_ml = least_ml, most_ml

    @property
    def unit(self) -> str:
        return phrases.volume_unit()

    def prepare_value(self, value: Any) -> Any:
        """What was typed stays; whole mL are shown so exactly that they come back the same."""
        if not isinstance(value, int | float | Decimal):
            return value
        ml = Decimal(str(value))
        return _shown(ml / phrases.ML_PER_FL_OZ if phrases.is_us() else ml)

    def clean(self, value: Any) -> int | None:
        typed = super().clean(value)
        if typed is None:
            return None
        ml = phrases.ml_typed(typed)
        if not self.least_ml <= ml <= self.most_ml:
            least, most = phrases.volume(self.least_ml), phrases.volume(self.most_ml)
            raise ValidationError(_("Enter a volume from {least} to {most}.", least=least, most=most))
        return ml


class HardnessField(_Typed):
    """Hardness of water as CaCO3, typed in mg/L or grains per US gallon; whole mg/L."""

    def __init__(self, *, most_mg_per_l: int = 2_000, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.most_mg_per_l = most_mg_per_l

    @property
    def unit(self) -> str:
        return _("grains per gallon") if phrases.is_us() else "mg/L"

    def prepare_value(self, value: Any) -> Any:
        if not isinstance(value, int | float | Decimal):
            return value
        mg = Decimal(str(value))
        return _shown(mg / phrases.MG_PER_L_PER_GRAIN_PER_GALLON if phrases.is_us() else mg)

    def clean(self, value: Any) -> int | None:
        typed = super().clean(value)
        if typed is None:
            return None
        mg = typed * phrases.MG_PER_L_PER_GRAIN_PER_GALLON if phrases.is_us() else typed
        whole = int(mg.to_integral_value(ROUND_HALF_UP))
        if not 0 <= whole <= self.most_mg_per_l:
            raise ValidationError(
                _("Enter a hardness of at most {most}.", most=phrases.hardness(self.most_mg_per_l))
            )
        return whole


class Choice(forms.ChoiceField):
    """One of a list. ``choices`` may be a callable, so that its words are said in the language of the request."""

    default_error_messages = {
        "required": gettext_lazy("Choose one of the list."),
        "invalid_choice": gettext_lazy("Choose one of the list."),
    }


class Text(forms.CharField):
    """A line of text; ``attrs`` are of its input, such as ``autocomplete``."""

    default_error_messages = {"required": gettext_lazy("Fill this in.")}

    def __init__(self, *, attrs: Mapping[str, str] | None = None, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"autocomplete": "off", **(attrs or {})}))
        super().__init__(**kwargs)


class Lines(forms.CharField):
    """Several lines of text."""

    default_error_messages = {"required": gettext_lazy("Fill this in.")}

    def __init__(self, *, rows: int = 3, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.Textarea(attrs={"rows": rows, "autocomplete": "off"}))
        super().__init__(**kwargs)


class WholeNumber(forms.IntegerField):
    """A whole number from ``least`` to ``most``, both included."""

    default_error_messages = {"required": gettext_lazy("Fill this in.")}

    def __init__(self, *, least: int, most: int, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}))
        super().__init__(**kwargs)
        self.least, self.most = least, most

    def clean(self, value: Any) -> int | None:
        try:
            whole = super().clean(value)
        except ValidationError:
            if value in self.empty_values:
                raise
            whole = self.least - 1
        if whole is not None and not self.least <= whole <= self.most:
            least, most = phrases.number(self.least), phrases.number(self.most)
            raise ValidationError(_("Enter a whole number from {least} to {most}.", least=least, most=most))
        return whole


def say(form: forms.Form, refusal: Refusal, names: Mapping[str, str] | None = None) -> None:
    """Put a refusal into the form: each problem beside the field that its pointer ends with, the rest above.

    ``names`` gives the field of a pointer's last part where the two are called differently.
    """
    told = False
    for problem in refusal.errors:
        last = problem.pointer.rsplit("/", 1)[-1]
        name = (names or {}).get(last, last)
        if name in form.fields:
            form.add_error(name, problem.detail)
            told = True
    if not told:
        form.add_error(None, refusal.detail)


def words_of(pairs: Iterable[tuple[str, str]]) -> Choices:
    """Choices of a table of marked words, said in the language of the moment."""
    return [(value, _(word)) for value, word in pairs]
