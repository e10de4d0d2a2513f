"""Unit models, liquids and cartridges: what an operator buys and hangs up."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction

from accounts import tenancy
from accounts.commands.masterdata import insert_rows, refuse_bad_rows
from accounts.errors import BadInput, Conflict, Problem
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from fleet import queries
from fleet.models import Cartridge, Liquid, UnitModel

MOST_CAUTION = 2_000
MOST_ML = 20_000  # as the log reads volumes: more than any cartridge or reservoir of the trade holds
RANGES: dict[Any, Any] = {
    UnitModel: {"reservoir_ml": (1, MOST_ML)},
    Cartridge: {"volume_ml": (1, MOST_ML), "nominal_dose_ml_per_day": (Decimal("0.1"), Decimal(500))},
}


def add_unit_model(*, actor: Actor, name: str, reservoir_ml: int, id: UUID | None = None) -> UnitModel:  # noqa: A002
    """A model of unit. Conflict when there is one of this name."""
    return _add(actor, UnitModel, {"id": id, "name": name, "reservoir_ml": reservoir_ml})


def add_liquid(
    *,
    actor: Actor,
    name: str,
    family: str,
    caution: str = "",
    sds_revision_on: date | None = None,
    id: UUID | None = None,  # noqa: A002
) -> Liquid:
    """A liquid; ``family`` acid, enzyme or neutral. Conflict when there is one of this name."""
    values = {
        "id": id,
        "name": name,
        "family": family,
        "caution": caution,
        "sds_revision_on": sds_revision_on,
    }
    return _add(actor, Liquid, values)


def add_cartridge(
    *,
    actor: Actor,
    code: str,
    name: str,
    liquid_id: UUID,
    volume_ml: int,
    nominal_dose_ml_per_day: Decimal,
    id: UUID | None = None,  # noqa: A002
) -> Cartridge:
    """A cartridge as bought. Conflict when there is one of this code, NotFound for a liquid that is not there."""
    values = {
        "id": id,
        "code": code,
        "name": name,
        "liquid_id": liquid_id,
        "volume_ml": volume_ml,
        "nominal_dose_ml_per_day": nominal_dose_ml_per_day,
    }
    return _add(actor, Cartridge, values)


def change_liquid(*, actor: Actor, liquid_id: UUID, name: str, caution: str) -> Liquid:
    """Call a liquid otherwise, or put its caution otherwise. Its family never changes: placements were checked by it."""
    require(actor, Permission.FLEET_MANAGE)
    with tenancy.writing(actor):
        liquid = queries.get_liquid(liquid_id)
        liquid.name, liquid.caution = name.strip(), caution.strip()
        refuse_bad_rows([liquid])
        refuse_long_caution(liquid.caution)
        try:
            with transaction.atomic():
                liquid.save(update_fields=["name", "caution"])
        except IntegrityError:
            detail = _("There is another liquid of this name. Nothing was changed.")
            raise Conflict(detail, errors=[Problem("/name", "taken", detail)]) from None
        return liquid


def refuse_long_caution(caution: str) -> None:
    """BadInput for more than a short form of what the label and the sheet say."""
    if len(caution) > MOST_CAUTION:
        detail = _("A caution has up to {most} characters; the sheet itself says more.", most=MOST_CAUTION)
        raise BadInput(detail, errors=[Problem("/caution", "too-long", detail)])


def _add(actor: Actor, model: Any, values: dict[str, Any]) -> Any:
    require(actor, Permission.FLEET_MANAGE)
    given = {name: value for name, value in values.items() if not (name == "id" and value is None)}
    return insert_rows(actor, model, [given], ranges=RANGES.get(model))[0]
