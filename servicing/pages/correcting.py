"""Correcting an entry by form: its values typed anew, with the reason, in place of what stands there."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import NotFound, Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import DayField, OperatorRequest, VolumeField, decimal_typed, operator_page, say
from accounts.permissions import Permission
from accounts.phrases import ML_PER_FL_OZ, is_us, number
from fleet import queries as fleet
from servicing.commands.correcting import CORRECTABLE, correct_event
from servicing.events.fields import to_json
from servicing.events.reading import stored_payload
from servicing.events.types import EventType
from servicing.pages.forms import Choices, said_choices
from servicing.pages.looking_back import names_of
from servicing.pages.wording import COUNTER_REASONS, FAULTS, sentence, word
from servicing.queries import events as log
from servicing.queries import fleet_state
from servicing.queries.events import KnownEvent

LABELS = {
    "action": N_("What was done"),
    "cartridge_id": N_("Cartridge"),
    "cartridge_left_ml": N_("Left in the cartridge"),
    "charge_ml": N_("Put in"),
    "condition": N_("Condition of the wick"),
    "detection": N_("Noticed by"),
    "dose_ml_per_day": N_("Dose a day"),
    "drips_again": N_("It drips again"),
    "installed_on": N_("Put up on"),
    "last_exchange_on": N_("Last exchange on"),
    "left_ml": N_("Left in it on that day"),
    "lot": N_("Lot, as printed on the cartridge"),
    "mode": N_("Fault"),
    "reason": N_("Reason of the work"),
    "reservoir_after_ml": N_("Reservoir on leaving"),
    "reservoir_before_ml": N_("Reservoir on arrival"),
    "reservoir_cleaned_on": N_("Reservoir last cleaned on"),
    "reservoir_ml": N_("In the reservoir"),
    "station_id": N_("Station"),
    "wick": N_("Wick"),
    "wick_condition": N_("Condition of the wick"),
    "wick_fitted_on": N_("Wick fitted on"),
    "wiped_out_ml": N_("Wiped out"),
}
_MINUTE = "%Y-%m-%dT%H:%M"


class DoseField(forms.Field):
    """A dose typed in mL or fluid ounces a day, as mL with up to three decimals."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(widget=forms.TextInput(attrs={"inputmode": "decimal"}), **kwargs)

    @property
    def unit(self) -> str:
        return "fl oz" if is_us() else "mL"

    def prepare_value(self, value: Any) -> Any:
        if not isinstance(value, Decimal):
            return value
        shown = (value / ML_PER_FL_OZ).quantize(Decimal("0.0001")) if is_us() else value
        return number(shown, max(0, -int(shown.normalize().as_tuple().exponent)))

    def clean(self, value: Any) -> Decimal | None:
        if value in self.empty_values and not self.required:
            return None
        typed = decimal_typed(str(value or ""))
        if typed is None:
            raise forms.ValidationError(_("Enter a number, such as {example}.", example=number(9.5, 1)))
        ml = typed * ML_PER_FL_OZ if is_us() else typed
        return ml.quantize(Decimal("0.001")).normalize()


class CorrectionForm(forms.Form):
    """The entry's own values, when it happened, and why it is corrected. The ids of what it records come with it."""

    counter = forms.UUIDField(widget=forms.HiddenInput)
    made = forms.UUIDField(widget=forms.HiddenInput)
    happened_at = forms.DateTimeField(
        label=gettext_lazy("When it happened"),
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format=_MINUTE),
        input_formats=[_MINUTE, "%Y-%m-%dT%H:%M:%S"],
        help_text=gettext_lazy("In the site's own time."),
        error_messages=dict.fromkeys(("required", "invalid"), gettext_lazy("Enter the day and the time.")),
    )

    def __init__(self, sent: Any, *, event: KnownEvent, zone: str) -> None:
        self.event, self.zone = event, zone
        local = event.occurred_at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
        self.minute = local.replace(second=0, microsecond=0)
        values = {field.name: getattr(event.payload, field.name) for field in _fields(event)}
        initial = {
            **{name: str(value) if isinstance(value, UUID) else value for name, value in values.items()},
            "happened_at": self.minute,
            "counter": uuid7(),
            "made": uuid7(),
        }
        super().__init__(sent, initial=initial)
        for field in _fields(event):
            self.fields[field.name] = _field_of(field, event)
        self.fields["because"] = forms.ChoiceField(
            label=_("Why it is corrected"),
            choices=said_choices(list(COUNTER_REASONS.items())),
            initial="wrong_entry",
        )

    def clean_happened_at(self) -> datetime:
        """The typed wall time as an instant. An unchanged minute keeps its seconds, and so its place among the others."""
        typed: datetime = self.cleaned_data["happened_at"].replace(tzinfo=None)
        if typed == self.minute:
            return self.event.occurred_at
        instant = typed.replace(tzinfo=ZoneInfo(self.zone))
        if instant > clock.now():
            raise forms.ValidationError(_("This is later than now. Enter when it happened."))
        return instant

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        stands = (stored_payload(self.event.payload), self.event.occurred_at)
        if not self.errors and (self.payload(), values["happened_at"]) == stands:
            raise forms.ValidationError(
                _("Nothing differs from what stands there. Change what was wrong, or go back.")
            )
        return values

    def payload(self) -> dict[str, Any]:
        """The values in the form that the log keeps; what was left empty is not there."""
        values = {field.name: self.cleaned_data[field.name] for field in _fields(self.event)}
        if self.event.type is EventType.UNIT_OPENED:
            values["as_of"] = self.cleaned_data["happened_at"].astimezone(ZoneInfo(self.zone)).date()
        return {name: to_json(value) for name, value in values.items() if value not in {None, ""}}


def _fields(event: KnownEvent) -> tuple[dataclasses.Field[Any], ...]:
    """Those that are typed; the day of an opening follows from when it was."""
    fields = dataclasses.fields(event.payload)  # type: ignore[arg-type]
    return tuple(field for field in fields if field.name != "as_of")


def _field_of(field: dataclasses.Field[Any], event: KnownEvent) -> forms.Field:
    common: dict[str, Any] = {"label": _(LABELS[field.name]), "required": not field.metadata["optional"]}
    if field.name.endswith("_ml"):
        return VolumeField(least_ml=int(field.name == "charge_ml"), **common)
    if field.metadata["choices"]:
        words = [(value, _said(field.name, value)) for value in field.metadata["choices"]]
        return forms.ChoiceField(choices=_or_none(words, field), **common)
    if field.name.endswith("_on"):
        return DayField(**common)
    if field.name == "cartridge_id":
        return forms.ChoiceField(choices=_or_none(_cartridges(), field), **common)
    return _MADE[field.name](event, common)


def _or_none(choices: Choices, field: dataclasses.Field[Any]) -> Choices:
    return [("", _("Not known")), *choices] if field.metadata["optional"] else choices


def _said(name: str, value: str) -> str:
    return _(FAULTS[value]) if name == "mode" else word(value)


def _stations(event: KnownEvent) -> Choices:
    """Those of the site at which the entry has the unit."""
    station_id: UUID = event.payload.station_id  # type: ignore[attr-defined]
    site_id = fleet.stations([station_id])[station_id].site_id
    return [
        (str(place.station_id), f"{place.restroom}, {place.station}")
        for place in fleet.stations_of_site(site_id)
    ]


def _cartridges() -> Choices:
    return [(str(one.id), one.name) for one in fleet.cartridges()]


_MADE: dict[str, Callable[[KnownEvent, dict[str, Any]], forms.Field]] = {
    "station_id": lambda event, common: forms.ChoiceField(choices=_stations(event), **common),
    "lot": lambda _event, common: forms.CharField(max_length=40, **common),
    "drips_again": lambda _event, common: forms.BooleanField(**{**common, "required": False}),
    "dose_ml_per_day": lambda _event, common: DoseField(**common),
}


def may_correct(event: KnownEvent) -> bool:
    """Whether an entry can be corrected: it is of a kind that can, and is neither undone nor replaced."""
    return event.type in CORRECTABLE and event.standing != "superseded"


@operator_page(Permission.EVENTS_COUNTER, "GET", "HEAD", "POST")
def correct(request: OperatorRequest, code: str, event_id: UUID) -> HttpResponse:
    """Show an entry of this unit with its values to be typed anew; record what was typed in its place."""
    with tenancy.reading(request.actor):
        unit = fleet.unit_by_code(code)
        event = log.get_event(event_id)
        if event.subject_id != unit.id:
            raise NotFound(_("There is no event here with this id."))
        view = fleet_state.get_unit_view(unit.id)
        zone = accounts.get_site(view.site_id).zone if view.site_id else request.operator.zone
        page = {"unit": unit, "event": event, "zone": zone, "may_correct": may_correct(event)}
        page["says"] = sentence(event.type, event.payload, names_of([event]))
        form = None
        if event.type in CORRECTABLE:
            form = CorrectionForm(request.POST if request.method == "POST" else None, event=event, zone=zone)
    if form is not None and form.is_bound and form.is_valid() and _record(request, form):
        return redirect(
            reverse("unit", args=[request.operator.slug, code]) + f"#event-{form.cleaned_data['made']}"
        )
    status = 422 if form is not None and form.is_bound else 200
    return render(request, "servicing/correct.html", {**page, "form": form}, status=status)


def _record(request: OperatorRequest, form: CorrectionForm) -> bool:
    values = form.cleaned_data
    try:
        correct_event(
            actor=request.actor,
            event_id=form.event.event_id,
            occurred_at=values["happened_at"],
            payload=form.payload(),
            reason=values["because"],
            id=values["made"],
            counter_id=values["counter"],
        )
    except Refusal as refusal:
        say(form, refusal)
        return False
    return True
