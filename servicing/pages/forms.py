"""What a crew writes down of one visit: the visit itself, and each unit that hangs at the site."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from accounts import clock
from servicing.events.fields import MAX_ML
from servicing.pages.wording import FAULTS, NOT_ADMITTED
from servicing.queries.fleet_state import UnitView

Choices = list[tuple[str, str]]

DONE: Choices = [
    ("exchanged", "Exchanged"),
    ("looked", "Looked at, not exchanged"),
    ("missed", "Not reached"),
]
WICK: Choices = [
    ("good", "Good"),
    ("slow", "Slow"),
    ("failed", "Failed"),
    ("washed", "Washed"),
    ("changed", "Changed"),
    ("unseen", "Not looked at"),
]
AS_BEFORE = ""


def _volume(label: str) -> forms.IntegerField:
    said = f"Enter a whole number of mL from 0 to {MAX_ML:,}, or nothing."
    return forms.IntegerField(
        label=label,
        min_value=0,
        max_value=MAX_ML,
        required=False,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
        error_messages=dict.fromkeys(("invalid", "min_value", "max_value"), said),
    )


class VisitForm(forms.Form):
    """The arrival. ``visit`` is made when the form is first shown, so that sending it twice records it once."""

    visit = forms.UUIDField(widget=forms.HiddenInput)
    arrived_at = forms.DateTimeField(
        label="Arrived",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
        help_text="In the site's own time.",
        error_messages=dict.fromkeys(("required", "invalid"), "Enter the day and the time of the arrival."),
    )
    minutes = forms.IntegerField(
        label="Minutes on site", min_value=0, max_value=1_440, required=False, widget=forms.NumberInput
    )

    def __init__(self, *args: Any, zone: str, crews: Choices, cartridges: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = zone
        self.fields["crew"] = forms.ChoiceField(label="Crew", choices=crews, required=False)
        self.fields["cartridge"] = forms.ChoiceField(
            label="Cartridge put in",
            choices=[(AS_BEFORE, "The same as hung there before"), *cartridges],
            required=False,
        )
        self.fields["reason"] = forms.ChoiceField(
            label="Reason", choices=[("", "The crew was admitted"), *NOT_ADMITTED.items()], required=False
        )

    def clean_arrived_at(self) -> datetime:
        """The typed wall time as an instant in the site's zone; never later than now."""
        typed: datetime = self.cleaned_data["arrived_at"]
        instant = typed.replace(tzinfo=ZoneInfo(self.zone))
        if instant > clock.now():
            raise forms.ValidationError("This is later than now. Enter when the crew arrived.")
        return instant


class UnitForm(forms.Form):
    """What was done at one unit. The defaults are the usual: exchanged, the wick good."""

    done = forms.ChoiceField(label="Done", choices=DONE)
    left_ml = _volume("Left in the cartridge")
    before_ml = _volume("Reservoir on arrival")
    after_ml = _volume("Reservoir on leaving")
    wick = forms.ChoiceField(label="Wick", choices=WICK)
    is_wiped = forms.BooleanField(label="Reservoir wiped", required=False)
    wiped_ml = _volume("Wiped out")
    faults = forms.MultipleChoiceField(
        label="Faults found",
        choices=list(FAULTS.items()),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(self, *args: Any, view: UnitView, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "prefix": view.code})
        self.view = view
        self.initial = {"done": "exchanged", "wick": "good"}
        self.fields["closed"] = forms.MultipleChoiceField(
            label="Put right now",
            choices=[(mode, FAULTS[mode]) for mode in view.history.open_faults],
            required=False,
            widget=forms.CheckboxSelectMultiple,
        )

    @property
    def has_more(self) -> bool:
        """Whether the part that is folded away was used, so that it opens again when the form comes back."""
        return self.is_bound and any(
            self[name].value() for name in ("is_wiped", "wiped_ml", "faults", "closed")
        )

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("done") == "looked" and (values.get("left_ml") is None) != (
            values.get("before_ml") is None
        ):
            raise forms.ValidationError(
                "A level needs both volumes: what is left in the cartridge and what is in the reservoir."
            )
        if values.get("wiped_ml") and not values.get("is_wiped"):
            raise forms.ValidationError("A volume was wiped out, so tick “Reservoir wiped” too.")
        if values.get("done") == "exchanged" and "MIS" in (values.get("faults") or ()):
            raise forms.ValidationError("A missing unit can't have been exchanged. Choose one of the two.")
        return values
