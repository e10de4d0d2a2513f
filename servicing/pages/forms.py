"""What a crew writes down of one visit: the visit itself, and each unit that hangs at the site."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils.translation import gettext_lazy

from accounts import clock
from accounts.languages import N_, _
from accounts.pages import VolumeField
from servicing.pages.wording import FAULTS, NOT_ADMITTED
from servicing.queries.fleet_state import UnitView

Choices = list[tuple[str, str]]

DONE: Choices = [
    ("exchanged", N_("Exchanged")),
    ("looked", N_("Looked at, not exchanged")),
    ("missed", N_("Not reached")),
]
WICK: Choices = [
    ("good", N_("Good")),
    ("slow", N_("Slow")),
    ("failed", N_("Failed")),
    ("washed", N_("Washed")),
    ("changed", N_("Changed")),
    ("unseen", N_("Not looked at")),
]
AS_BEFORE = ""


def said_choices(choices: Choices) -> Choices:
    """Choices in the language of the moment."""
    return [(value, _(words)) for value, words in choices]


class VisitForm(forms.Form):
    """The arrival. ``visit`` is made when the form is first shown, so that sending it twice records it once."""

    visit = forms.UUIDField(widget=forms.HiddenInput)
    arrived_at = forms.DateTimeField(
        label=gettext_lazy("Arrived"),
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
        help_text=gettext_lazy("In the site's own time."),
        error_messages=dict.fromkeys(
            ("required", "invalid"), gettext_lazy("Enter the day and the time of the arrival.")
        ),
    )
    minutes = forms.IntegerField(
        label=gettext_lazy("Minutes on site"),
        min_value=0,
        max_value=1_440,
        required=False,
        widget=forms.NumberInput,
    )

    def __init__(self, *args: Any, zone: str, crews: Choices, cartridges: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = zone
        self.fields["crew"] = forms.ChoiceField(label=_("Crew"), choices=crews, required=False)
        self.fields["cartridge"] = forms.ChoiceField(
            label=_("Cartridge put in"),
            choices=[(AS_BEFORE, _("The same as hung there before")), *cartridges],
            required=False,
        )
        self.fields["reason"] = forms.ChoiceField(
            label=_("Reason"),
            choices=[("", _("The crew was admitted")), *said_choices(list(NOT_ADMITTED.items()))],
            required=False,
        )

    def clean_arrived_at(self) -> datetime:
        """The typed wall time as an instant in the site's zone; never later than now."""
        typed: datetime = self.cleaned_data["arrived_at"]
        instant = typed.replace(tzinfo=ZoneInfo(self.zone))
        if instant > clock.now():
            raise forms.ValidationError(_("This is later than now. Enter when the crew arrived."))
        return instant


class UnitForm(forms.Form):
    """What was done at one unit. The defaults are the usual: exchanged, the wick good."""

    done = forms.ChoiceField(label=gettext_lazy("Done"))
    left_ml = VolumeField(label=gettext_lazy("Left in the cartridge"), required=False)
    before_ml = VolumeField(label=gettext_lazy("Reservoir on arrival"), required=False)
    after_ml = VolumeField(label=gettext_lazy("Reservoir on leaving"), required=False)
    wick = forms.ChoiceField(label=gettext_lazy("Wick"))
    is_wiped = forms.BooleanField(label=gettext_lazy("Reservoir wiped"), required=False)
    wiped_ml = VolumeField(label=gettext_lazy("Wiped out"), required=False)
    faults = forms.MultipleChoiceField(
        label=gettext_lazy("Faults found"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(self, *args: Any, view: UnitView, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "prefix": view.code})
        self.view = view
        self.initial = {"done": "exchanged", "wick": "good"}
        for name, choices in (("done", DONE), ("wick", WICK), ("faults", list(FAULTS.items()))):
            self.fields[name].choices = said_choices(choices)  # type: ignore[attr-defined]
        self.fields["closed"] = forms.MultipleChoiceField(
            label=_("Put right now"),
            choices=[(mode, _(FAULTS[mode])) for mode in view.history.open_faults],
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
                _("A level needs both volumes: what is left in the cartridge and what is in the reservoir.")
            )
        if values.get("wiped_ml") and not values.get("is_wiped"):
            raise forms.ValidationError(_("A volume was wiped out, so tick “Reservoir wiped” too."))
        if values.get("done") == "exchanged" and "MIS" in (values.get("faults") or ()):
            raise forms.ValidationError(_("A missing unit can't have been exchanged. Choose one of the two."))
        return values
