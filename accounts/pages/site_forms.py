"""The forms of sites, their contacts and their agreements."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from accounts.commands.customers import TERMS
from accounts.languages import _
from accounts.pages import wording
from accounts.pages.fields import (
    Choice,
    Choices,
    DayField,
    HardnessField,
    Lines,
    Text,
    WholeNumber,
    decimal_typed,
)

_BETWEEN = re.compile(r"\s*;\s*|,\s+|\s+")
_BOTH = 2


class PositionField(forms.Field):
    """Latitude and longitude in degrees, typed one after the other as maps give them; a pair of Decimals or None."""

    widget = forms.TextInput(attrs={"autocomplete": "off", "inputmode": "text"})

    def prepare_value(self, value: Any) -> Any:
        return ", ".join(f"{one.normalize():f}" for one in value) if isinstance(value, tuple) else value

    def to_python(self, value: Any) -> tuple[Decimal, Decimal] | None:
        if value in self.empty_values:
            return None
        parts = [decimal_typed(part) for part in _BETWEEN.split(value.strip().strip("()"))]
        if len(parts) == 1 and value.count(",") == 1:
            parts = [decimal_typed(part) for part in value.split(",")]
        if len(parts) != _BOTH or parts[0] is None or parts[1] is None:
            raise ValidationError(
                _(
                    "Enter latitude and longitude in degrees, such as 54.3233, 10.1394; west and south are negative."
                )
            )
        if not -90 <= parts[0] <= 90 or not -180 <= parts[1] <= 180:  # noqa: PLR2004
            raise ValidationError(_("A latitude lies from -90 to 90, a longitude from -180 to 180."))
        place = Decimal("0.000001")
        return parts[0].quantize(place), parts[1].quantize(place)


class SiteForm(forms.Form):
    """What can be changed of a site."""

    name = Text(label=gettext_lazy("Name"), max_length=200)
    kind = Choice(label=gettext_lazy("Kind"), choices=wording.site_kinds)
    address = Lines(label=gettext_lazy("Address"), required=False, max_length=1_000, rows=2)
    area = Text(
        label=gettext_lazy("Town or area"),
        required=False,
        max_length=80,
        help_text=gettext_lazy("The lookout can be filtered by it."),
    )
    position = PositionField(
        label=gettext_lazy("Position"),
        required=False,
        help_text=gettext_lazy(
            "Latitude and longitude, as a map gives them: for the map and for short ways between visits."
        ),
    )
    crew = Choice(label=gettext_lazy("Usual crew"), required=False)
    access = Lines(
        label=gettext_lazy("How a crew gets in"),
        required=False,
        rows=2,
        help_text=gettext_lazy(
            "Where to report, when it is open. Write no door code and no place of a key here."
        ),
    )
    hardness_mg_per_l = HardnessField(
        label=gettext_lazy("Hardness of its water"),
        required=False,
        help_text=gettext_lazy(
            "As CaCO3, from the water supplier. Hard water shortens the life of a wick. Empty: not known."
        ),
    )
    dust = Choice(label=gettext_lazy("Dust and grease in the air"), choices=wording.dust, initial="normal")

    def __init__(self, *args: Any, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"].choices = [("", _("no usual crew")), *crews]  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """As commands take them."""
        found = dict(self.cleaned_data)
        position, crew = found.pop("position"), found.pop("crew")
        found["latitude"], found["longitude"] = position or (None, None)
        return {**found, "crew_id": UUID(crew) if crew else None}


class NewSiteForm(SiteForm):
    customer = Choice(label=gettext_lazy("Billed to"))
    code = Text(
        label=gettext_lazy("Code"),
        max_length=20,
        help_text=gettext_lazy(
            "Short and your own, such as S12. It stands in addresses and can't be changed later."
        ),
    )
    zone = Text(
        label=gettext_lazy("Time zone"),
        max_length=64,
        help_text=gettext_lazy(
            "A name such as Europe/Berlin. Due days hang on it, so it can't be changed later."
        ),
    )
    field_order = (
        "customer",
        "name",
        "code",
        "kind",
        "address",
        "area",
        "position",
        "crew",
        "access",
        "zone",
    )

    def __init__(self, *args: Any, customers: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["customer"].choices = customers  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        found = super().values()
        found["customer_id"] = UUID(found.pop("customer"))
        return found


class ContactForm(forms.Form):
    name = Text(label=gettext_lazy("Name or function"), required=False, max_length=120)
    email = forms.EmailField(
        label=gettext_lazy("E-mail address"),
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
    )
    wants_announcements = forms.BooleanField(
        label=gettext_lazy("Is told of visits by mail"), required=False, initial=True
    )


class AgreementForm(forms.Form):
    number = Text(label=gettext_lazy("Number"), max_length=30)
    starts_on = DayField(label=gettext_lazy("From"))
    anchor_on = DayField(
        label=gettext_lazy("Counted from"),
        help_text=gettext_lazy("Its day of the month is that of every due day."),
    )
    interval_months = WholeNumber(
        label=gettext_lazy("Months between due days"),
        least=TERMS["interval_months"][0],
        most=TERMS["interval_months"][1],
    )
    grace_before_days = WholeNumber(
        label=gettext_lazy("Days of grace before"),
        least=TERMS["grace_before_days"][0],
        most=TERMS["grace_before_days"][1],
    )
    grace_after_days = WholeNumber(
        label=gettext_lazy("Days of grace after"),
        least=TERMS["grace_after_days"][0],
        most=TERMS["grace_after_days"][1],
    )


class EndForm(forms.Form):
    last_day = DayField(label=gettext_lazy("Last day of service"))
