"""Every write of the fleet's master data: one function a use case, many rows at a time where crews bring many."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any, NoReturn
from uuid import UUID

from accounts import clock
from accounts.commands.masterdata import insert_rows
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import is_label_code, new_label_code, normalise_label_code, uuid7
from accounts.permissions import Actor, Permission, require
from fleet.models import Cartridge, Liquid, Restroom, Station, Unit, UnitModel

MOST_LABELS = 2_000
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


def add_restrooms(*, actor: Actor, restrooms: Sequence[dict[str, Any]]) -> list[Restroom]:
    """Each: site_id, name, and an id if the caller has one. All or none."""
    require(actor, Permission.FLEET_MANAGE)
    return insert_rows(actor, Restroom, restrooms)


def add_stations(*, actor: Actor, stations: Sequence[dict[str, Any]]) -> list[Station]:
    """Each: restroom_id, name, fixture (urinal or water_closet), and an id if the caller has one. All or none."""
    require(actor, Permission.FLEET_MANAGE)
    return insert_rows(actor, Station, stations, after=_load_restrooms)


def _load_restrooms(made: Sequence[Station]) -> None:
    """A station says at which site it is by its restroom."""
    rooms = Restroom.objects.in_bulk({station.restroom_id for station in made})
    for station in made:
        station.restroom = rooms[station.restroom_id]


def print_labels(
    *,
    actor: Actor,
    unit_model_id: UUID,
    count: int = 0,
    codes: Sequence[str] = (),
    ids: Sequence[UUID] = (),
) -> list[Unit]:
    """Make units by printing their labels: ``count`` new codes, or the given ones. BadInput names a wrong code."""
    require(actor, Permission.FLEET_MANAGE)
    if codes and count:
        both = "Ask for a count of new labels or give their codes, not both."
        raise BadInput(both, errors=[Problem("/count", "both", both)])
    if count > MOST_LABELS:
        _refuse_count("/count")
    wanted = [normalise_label_code(code) for code in codes] or [new_label_code() for _ in range(count)]
    wrong = [
        Problem(
            f"/codes/{index}", "label-code", f"{code} is no label code: its check character does not fit."
        )
        for index, code in enumerate(wanted)
        if not is_label_code(code)
    ]
    if wrong:
        raise BadInput("Some label codes are misspelt; no label was made.", errors=wrong)
    if not 0 < len(wanted) <= MOST_LABELS or (ids and len(ids) != len(wanted)):
        _refuse_count("/codes" if codes else "/count")
    printed_at = clock.now()
    rows = [
        {
            "id": ids[index] if ids else uuid7(printed_at),
            "code": code,
            "unit_model_id": unit_model_id,
            "printed_at": printed_at,
        }
        for index, code in enumerate(wanted)
    ]
    try:
        return insert_rows(actor, Unit, rows)
    except (Conflict, NotFound) as refusal:
        refusal.errors = _as_asked(refusal.errors)
        raise


def _refuse_count(pointer: str) -> NoReturn:
    few = f"Ask for 1 to {MOST_LABELS} labels at a time, with one id a label or none."
    raise BadInput(few, errors=[Problem(pointer, "out-of-range", few)])


def _as_asked(problems: Sequence[Problem]) -> list[Problem]:
    """Pointing into the codes and the one unit model that were asked for, not into the rows made of them."""
    told = [
        (one, "/unit_model" if one.pointer.endswith("/unit_model") else f"/codes/{one.pointer.split('/')[1]}")
        for one in problems
    ]
    return list(dict.fromkeys(Problem(pointer, one.code, one.detail) for one, pointer in told))


def _add(actor: Actor, model: Any, values: dict[str, Any]) -> Any:
    require(actor, Permission.FLEET_MANAGE)
    given = {name: value for name, value in values.items() if not (name == "id" and value is None)}
    return insert_rows(actor, model, [given], ranges=RANGES.get(model))[0]
