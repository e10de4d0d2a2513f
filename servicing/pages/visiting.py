"""Recording a visit by form, unit by unit, as events with ids that a second sending repeats."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.phrases import volume
from fleet import queries as fleet
from servicing.commands import office
from servicing.pages.forms import UnitForm, VisitForm
from servicing.pages.sites import site_by_code
from servicing.queries import fleet_state
from servicing.queries.fleet_state import UnitView

if TYPE_CHECKING:
    from accounts.models import Site
    from fleet.models import Cartridge, Liquid

MOST_AT_ONCE = 400
Drafts = list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class _Place:
    """What the form shows and reads: the site, its units, and what may hang in them."""

    site: Site
    views: list[UnitView]
    cartridges: Mapping[UUID, Cartridge]
    crews: list[tuple[str, str]]


@operator_page(Permission.EVENTS_RECORD, "GET", "HEAD", "POST")
def visit(request: OperatorRequest, code: str) -> HttpResponse:
    place = _place(request, code)
    choices: dict[str, Any] = {
        "zone": place.site.zone,
        "crews": [("", _("Not said")), *place.crews],
        "cartridges": [
            (str(one.id), f"{one.name} ({volume(one.volume_ml)})") for one in place.cartridges.values()
        ],
    }
    if request.method != "POST":
        form = VisitForm(initial=_initial(request, place), **choices)
        return _show(request, place, form, [UnitForm(view=view) for view in place.views])
    form = VisitForm(request.POST, **choices)
    unit_forms = [UnitForm(request.POST, view=view) for view in place.views]
    is_admitted = not request.POST.get("reason")
    checked = [form.is_valid(), *(one.is_valid() for one in unit_forms if is_admitted)]
    if all(checked) and is_admitted:
        checked.append(_is_chosen(form, unit_forms))
    if not all(checked):
        return _show(request, place, form, unit_forms, status=422)
    drafts = visit_drafts(place.site.id, form.cleaned_data, unit_forms, place.cartridges)
    try:
        for start in range(0, len(drafts), MOST_AT_ONCE):
            office.record_events(actor=request.actor, events=drafts[start : start + MOST_AT_ONCE])
    except Refusal as refusal:
        return _show(request, place, form, unit_forms, refusal=refusal, status=refusal.status)
    return redirect("site", slug=request.operator.slug, code=code)


def _is_chosen(form: VisitForm, unit_forms: list[UnitForm]) -> bool:
    """Whether it is known what went into each unit: that of the visit, else the same as before, if that is known."""
    unknown = [
        one.view.code
        for one in unit_forms
        if one.cleaned_data["done"] == "exchanged" and one.view.history.cartridge_id is None
    ]
    if not unknown or form.cleaned_data["cartridge"]:
        return True
    said = N_("Which cartridge hangs in unit {code} is not known. Choose the one that was put in.")
    form.add_error("cartridge", _(said, code=unknown[0]))
    return False


def _place(request: OperatorRequest, code: str) -> _Place:
    with tenancy.reading(request.actor):
        site = site_by_code(code)
        return _Place(
            site=site,
            views=fleet_state.units_of_site(site.id),
            cartridges={cartridge.id: cartridge for cartridge in fleet.cartridges()},
            crews=[(str(crew.id), crew.name) for crew in accounts.crews() if crew.is_active],
        )


def _initial(request: OperatorRequest, place: _Place) -> dict[str, Any]:
    arrived = clock.now().astimezone(ZoneInfo(place.site.zone)).replace(second=0, microsecond=0, tzinfo=None)
    return {
        "visit": uuid7(),
        "arrived_at": arrived,
        "crew": str(request.actor.crew_id or place.site.crew_id or ""),
    }


def _show(
    request: OperatorRequest,
    place: _Place,
    form: VisitForm,
    unit_forms: list[UnitForm],
    *,
    refusal: Refusal | None = None,
    status: int = 200,
) -> HttpResponse:
    families = {cartridge.liquid.family for cartridge in place.cartridges.values()}
    page = {
        "site": place.site,
        "form": form,
        "unit_forms": unit_forms,
        "refusal": refusal,
        "wrong": sum(bool(one.is_bound and one.errors) for one in [form, *unit_forms]),
        "has_acid": "acid" in families,
        "cautions": _liquids_with_caution(place),
    }
    return render(request, "servicing/visit.html", page, status=status)


def _liquids_with_caution(place: _Place) -> list[Liquid]:
    """The liquids that hang at the site, each once."""
    hanging = {UUID(view.history.cartridge_id) for view in place.views if view.history.cartridge_id}
    liquids = {one.liquid_id: one.liquid for key, one in place.cartridges.items() if key in hanging}
    return [liquid for liquid in liquids.values() if liquid.caution]


def visit_drafts(
    site_id: UUID,
    visit: Mapping[str, Any],
    unit_forms: list[UnitForm],
    cartridges: Mapping[UUID, Cartridge],
) -> Drafts:
    """The events of a filled-in form. Ids follow from the visit's, the unit's and the type, so they never change.

    ``unit_forms`` are valid unless the crew was not admitted.
    """
    common = {"visit": str(visit["visit"]), "occurred_at": visit["arrived_at"].isoformat()}
    crew = {"crew_id": visit["crew"]} if visit["crew"] else {}
    outcome: dict[str, Any] = {"site_id": str(site_id), **crew}
    if visit["reason"]:
        kind, outcome["reason"] = "visit.not_admitted", visit["reason"]
        drafts: Drafts = []
    else:
        kind = "visit.made"
        missed = any(form.cleaned_data["done"] == "missed" for form in unit_forms)
        outcome["outcome"] = "part_served" if missed else "served"
        if visit["minutes"] is not None:
            outcome["minutes"] = visit["minutes"]
        chosen = cartridges.get(UUID(visit["cartridge"])) if visit["cartridge"] else None
        drafts = [
            _unit_draft(form.view.unit_id, kind_, payload, visit["visit"], common)
            for form in unit_forms
            for kind_, payload in _touch(form, chosen, cartridges)
        ]
    made = {
        **common,
        "id": str(uuid5(visit["visit"], kind)),
        "type": kind,
        "subject": {"kind": "visit", "id": str(visit["visit"])},
        "payload": outcome,
    }
    return [*drafts, made]


def _unit_draft(
    unit_id: UUID, kind: str, payload: dict[str, Any], visit_id: UUID, common: dict[str, Any]
) -> dict[str, Any]:
    # Two events of one type differ by what they name: a unit may have two faults at one visit.
    named = payload.get("mode", "")
    return {
        **common,
        "id": str(uuid5(visit_id, f"{unit_id}/{kind}/{named}")),
        "touch": str(uuid5(visit_id, str(unit_id))),
        "type": kind,
        "subject": {"kind": "unit", "id": str(unit_id)},
        "payload": payload,
    }


def _touch(
    form: UnitForm, chosen: Cartridge | None, cartridges: Mapping[UUID, Cartridge]
) -> Iterator[tuple[str, dict[str, Any]]]:
    """One unit's events in the order of the work: what was found, then what was done."""
    values = form.cleaned_data
    for mode in values["faults"]:
        yield "fault.found", {"mode": mode, "detection": "visit_check"}
    if values["done"] == "missed":
        return
    if values["wick"] in {"good", "slow", "failed"}:
        yield "wick.checked", {"condition": values["wick"]}
    if values["is_wiped"]:
        yield "reservoir.cleaned", _given(wiped_out_ml=values["wiped_ml"])
    if values["done"] == "exchanged":
        yield "cartridge.exchanged", _exchange(form, chosen, cartridges)
    elif values["left_ml"] is not None:
        yield "level.read", {"cartridge_left_ml": values["left_ml"], "reservoir_ml": values["before_ml"]}
    # After the exchange, whose reading belongs to the old wick.
    if values["wick"] == "washed":
        yield "wick.washed", {}
    if values["wick"] == "changed":
        yield "wick.changed", {"reason": _wick_reason(form)}
    for mode in values["closed"]:
        yield _closing(mode)


def _exchange(
    form: UnitForm, chosen: Cartridge | None, cartridges: Mapping[UUID, Cartridge]
) -> dict[str, Any]:
    values = form.cleaned_data
    # ``_is_chosen`` has seen to it that one of the two is there.
    cartridge = chosen or cartridges[UUID(form.view.history.cartridge_id)]
    volumes = _given(
        cartridge_left_ml=values["left_ml"],
        reservoir_before_ml=values["before_ml"],
        reservoir_after_ml=values["after_ml"],
    )
    return {"cartridge_id": str(cartridge.id), "charge_ml": cartridge.volume_ml, **volumes}


def _wick_reason(form: UnitForm) -> str:
    condition = form.view.history.wick_condition
    return condition if condition in {"slow", "failed"} else "age"


def _closing(mode: str) -> tuple[str, dict[str, Any]]:
    if mode == "PLU":
        return "outlet.cleared", {"drips_again": True}
    if mode == "ELU":
        return "leak.stopped", {}
    return "fault.closed", {"mode": mode, "action": "repaired"}


def _given(**values: int | None) -> dict[str, int]:
    return {name: value for name, value in values.items() if value is not None}
