"""What an operator buys and hangs up: unit models, liquids with their cautions, and cartridges."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import phrases, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Lines, Text, VolumeField, decimal_typed, say, words_of
from accounts.permissions import Permission
from fleet import commands, queries
from fleet.commands import MOST_ML

FAMILIES = [
    ("acid", N_("Acid")),
    ("enzyme", N_("Enzyme")),
    ("neutral", N_("Neutral")),
]
LEAST_DOSE, MOST_DOSE = Decimal("0.1"), Decimal(500)
_THOUSANDTH = Decimal("0.001")


class DoseField(forms.CharField):
    """A dose typed in mL or US fluid ounces a day, cleaned to mL a day with three decimals."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(error_messages={"required": gettext_lazy("Fill this in.")}, **kwargs)

    @property
    def unit(self) -> str:
        return _("fl oz a day") if phrases.is_us() else _("mL a day")

    def clean(self, value: Any) -> Decimal:
        typed = decimal_typed(super().clean(value))
        ml = (typed or Decimal(0)) * (phrases.ML_PER_FL_OZ if phrases.is_us() else 1)
        if not LEAST_DOSE <= ml <= MOST_DOSE:
            least, most = phrases.dose(LEAST_DOSE), phrases.dose(MOST_DOSE)
            raise ValidationError(_("Enter a dose from {least} to {most}.", least=least, most=most))
        return ml.quantize(_THOUSANDTH, ROUND_HALF_UP)


class ModelForm(forms.Form):
    name = Text(
        label=gettext_lazy("Name of the model"),
        max_length=80,
        help_text=gettext_lazy("As your people call it."),
    )
    reservoir_ml = VolumeField(label=gettext_lazy("What its reservoir holds"), least_ml=1, most_ml=MOST_ML)


class LiquidForm(forms.Form):
    name = Text(label=gettext_lazy("Name of the liquid"), max_length=80)
    family = Choice(
        label=gettext_lazy("Family"),
        choices=lambda: words_of(FAMILIES),
        help_text=gettext_lazy(
            "From section 3 or 9 of its safety data sheet; if unsure, choose acid. It never changes."
        ),
    )
    caution = Lines(
        label=gettext_lazy("Caution in short"),
        required=False,
        max_length=2_000,
        help_text=gettext_lazy("From its own label and sheet; crews read it before they touch a unit."),
    )


class LiquidChangeForm(forms.Form):
    name = Text(label=gettext_lazy("Name of the liquid"), max_length=80)
    caution = Lines(
        label=gettext_lazy("Caution in short"),
        required=False,
        max_length=2_000,
        help_text=gettext_lazy("From its own label and sheet; crews read it before they touch a unit."),
    )


class CartridgeForm(forms.Form):
    code = Text(label=gettext_lazy("Code"), max_length=30, help_text=gettext_lazy("As on the box."))
    name = Text(label=gettext_lazy("Name"), max_length=80)
    volume_ml = VolumeField(label=gettext_lazy("Volume"), least_ml=1, most_ml=MOST_ML)
    nominal_dose_ml_per_day = DoseField(
        label=gettext_lazy("Dose as the supplier states it"),
        help_text=gettext_lazy("A first guess: the readings of your crews replace it."),
    )

    def __init__(self, *args: Any, liquids: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["liquid"] = Choice(label=_("Liquid in it"), choices=liquids)
        self.order_fields(["code", "name", "liquid"])


@operator_page(Permission.FLEET_MANAGE)
def supplies(request: OperatorRequest) -> HttpResponse:
    return _show(request)


@operator_page(Permission.FLEET_MANAGE, "POST")
def add_model(request: OperatorRequest) -> HttpResponse:
    form = ModelForm(request.POST, prefix="model")
    return _added(request, "model_form", form, lambda values: commands.add_unit_model(**values))


@operator_page(Permission.FLEET_MANAGE, "POST")
def add_liquid(request: OperatorRequest) -> HttpResponse:
    form = LiquidForm(request.POST, prefix="liquid")
    return _added(request, "liquid_form", form, lambda values: commands.add_liquid(**values))


@operator_page(Permission.FLEET_MANAGE, "POST")
def add_cartridge(request: OperatorRequest) -> HttpResponse:
    form = CartridgeForm(request.POST, prefix="cartridge", liquids=_liquid_choices(request))

    def add(values: dict[str, Any]) -> None:
        liquid_id = UUID(values.pop("liquid"))
        commands.add_cartridge(**values, liquid_id=liquid_id)

    return _added(request, "cartridge_form", form, add)


@operator_page(Permission.FLEET_MANAGE, "GET", "HEAD", "POST")
def change_liquid(request: OperatorRequest, liquid_id: UUID) -> HttpResponse:
    """A liquid's name and caution."""
    with tenancy.reading(request.actor):
        liquid = queries.get_liquid(liquid_id)
    page = {"liquid": liquid, "family": _(dict(FAMILIES)[liquid.family])}
    if request.method != "POST":
        form = LiquidChangeForm(initial={"name": liquid.name, "caution": liquid.caution})
        return render(request, "fleet/liquid.html", {**page, "form": form})
    form = LiquidChangeForm(request.POST)
    if form.is_valid():
        try:
            commands.change_liquid(actor=request.actor, liquid_id=liquid_id, **form.cleaned_data)
        except Refusal as refusal:
            say(form, refusal)
        else:
            return redirect("fleet-set-up", slug=request.operator.slug)
    return render(request, "fleet/liquid.html", {**page, "form": form}, status=422)


def _added(request: OperatorRequest, name: str, form: forms.Form, add: Any) -> HttpResponse:
    if form.is_valid():
        try:
            add({"actor": request.actor, **form.cleaned_data})
        except Refusal as refusal:
            say(form, refusal)
            return _show(request, status=refusal.status, **{name: form})
        return redirect(f"{reverse('fleet-set-up', args=[request.operator.slug])}?done={name[:-5]}")
    return _show(request, status=422, **{name: form})


def _liquid_choices(request: OperatorRequest) -> list[tuple[str, str]]:
    with tenancy.reading(request.actor):
        return [(str(one.id), one.name) for one in queries.liquids()]


def _show(request: OperatorRequest, *, status: int = 200, **filled: forms.Form) -> HttpResponse:
    with tenancy.reading(request.actor):
        liquids, cartridges = list(queries.liquids()), list(queries.cartridges())
        models = list(queries.unit_models())
    said = {
        "model": _("The model is added."),
        "liquid": _("The liquid is added. Its safety data sheet belongs beside it."),
        "cartridge": _("The cartridge is added."),
    }
    page = {
        "models": models,
        "liquids": [(one, _(dict(FAMILIES)[one.family])) for one in liquids],
        "cartridges": cartridges,
        "done": said.get(request.GET.get("done", ""), ""),
        "model_form": ModelForm(prefix="model"),
        "liquid_form": LiquidForm(prefix="liquid"),
        "cartridge_form": CartridgeForm(
            prefix="cartridge", liquids=[(str(one.id), one.name) for one in liquids]
        ),
        **filled,
    }
    return render(request, "fleet/supplies.html", page, status=status)
