"""Every write of the fleet's master data: one function a use case, many rows at a time where crews bring many."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import IntegrityError
from django.db.models import Model

from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, Problem
from accounts.ids import is_label_code, new_label_code, normalise_label_code, uuid7
from accounts.permissions import Actor, Permission, require
from fleet.models import Cartridge, Liquid, Restroom, Station, Unit, UnitModel

MOST_LABELS = 2_000


def add_unit_model(*, actor: Actor, name: str, reservoir_ml: int, id: UUID | None = None) -> UnitModel:  # noqa: A002
    return _add(
        actor,
        UnitModel(id=id or uuid7(), operator_id=actor.operator_id, name=name, reservoir_ml=reservoir_ml),
    )


def add_liquid(
    *,
    actor: Actor,
    name: str,
    family: str,
    caution: str = "",
    sds_revision_on: date | None = None,
    id: UUID | None = None,  # noqa: A002
) -> Liquid:
    return _add(
        actor,
        Liquid(
            id=id or uuid7(),
            operator_id=actor.operator_id,
            name=name,
            family=family,
            caution=caution,
            sds_revision_on=sds_revision_on,
        ),
    )


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
    return _add(
        actor,
        Cartridge(
            id=id or uuid7(),
            operator_id=actor.operator_id,
            code=code,
            name=name,
            liquid_id=liquid_id,
            volume_ml=volume_ml,
            nominal_dose_ml_per_day=nominal_dose_ml_per_day,
        ),
    )


def add_restrooms(*, actor: Actor, restrooms: Sequence[dict[str, Any]]) -> list[Restroom]:
    """Each: site_id, name, and an id if the caller has one."""
    return _add_many(actor, Restroom, restrooms)


def add_stations(*, actor: Actor, stations: Sequence[dict[str, Any]]) -> list[Station]:
    """Each: restroom_id, name, fixture (urinal or water_closet), and an id if the caller has one."""
    return _add_many(actor, Station, stations)


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
        raise BadInput(f"Ask for 1 to {MOST_LABELS} labels at a time, with one id a label or none.")
    printed_at = clock.now()
    rows = [
        Unit(
            id=ids[index] if ids else uuid7(printed_at),
            operator_id=actor.operator_id,
            code=code,
            unit_model_id=unit_model_id,
            printed_at=printed_at,
        )
        for index, code in enumerate(wanted)
    ]
    return _insert(actor, Unit, rows)


def _add(actor: Actor, row: Any) -> Any:
    require(actor, Permission.FLEET_MANAGE)
    return _insert(actor, type(row), [row])[0]


def _add_many(actor: Actor, model: type[Model], rows: Sequence[dict[str, Any]]) -> list[Any]:
    require(actor, Permission.FLEET_MANAGE)
    made = [model(**{"id": uuid7(), "operator_id": actor.operator_id, **row}) for row in rows]
    return _insert(actor, model, made)


def _insert(actor: Actor, model: Any, rows: list[Any]) -> list[Any]:
    try:
        with tenancy.writing(actor):
            return model.objects.bulk_create(rows, batch_size=1_000)
    except IntegrityError as clash:
        raise Conflict(
            f"Nothing was added: a {model._meta.verbose_name} of this name or code exists, or what it belongs to does not."
        ) from clash
