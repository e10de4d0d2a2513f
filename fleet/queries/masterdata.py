"""Unit models, liquids and cartridges."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from fleet.models import Cartridge, Liquid, UnitModel
from fleet.queries.rows import by_ids

# Asked by every upload: written out, since building it costs the ORM more than the database takes to answer.
_CARTRIDGES = """
SELECT c.id, c.code, c.nominal_dose_ml_per_day::float8, l.family
FROM fleet_cartridge c JOIN fleet_liquid l ON l.operator_id = c.operator_id AND l.id = c.liquid_id
WHERE c.operator_id = %s AND c.id = ANY(%s)
"""


class CartridgeFacts(NamedTuple):
    """A cartridge's code, its nominal dose in mL a day, and the family of its liquid."""

    code: str
    nominal_ml_per_day: float
    family: str


def unit_models() -> QuerySet[UnitModel]:
    return UnitModel.objects.order_by("name")


def liquids() -> QuerySet[Liquid]:
    return Liquid.objects.order_by("name")


def cartridges() -> QuerySet[Cartridge]:
    return Cartridge.objects.select_related("liquid").order_by("code")


def get_liquid(liquid_id: UUID) -> Liquid:
    """A liquid by id; NotFound for one that is absent or another operator's."""
    try:
        return Liquid.objects.get(id=liquid_id)
    except (Liquid.DoesNotExist, ValidationError, ValueError):
        raise NotFound(_("There is no liquid here with this id.")) from None


def cartridge_facts(ids: Collection[UUID]) -> dict[UUID, CartridgeFacts]:
    """What forecasts need to know of these cartridges."""
    return dict(by_ids(_CARTRIDGES, ids, lambda row: (row[0], CartridgeFacts(*row[1:]))))


def cartridges_in(ids: Collection[UUID]) -> dict[UUID, Cartridge]:
    return {cartridge.id: cartridge for cartridge in Cartridge.objects.filter(id__in=ids)}
