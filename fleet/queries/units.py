"""Units by their id or their label."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import Count, Q, QuerySet

from accounts.errors import NotFound
from accounts.ids import normalise_label_code
from accounts.languages import _
from fleet.models import Unit
from fleet.queries.rows import by_ids

# Asked by every upload: written out, since building it costs the ORM more than the database takes to answer.
_KNOWN_UNITS = "SELECT id FROM fleet_unit WHERE operator_id = %s AND id = ANY(%s)"


def get_unit(unit_id: UUID) -> Unit:
    """A unit by id; NotFound for one that is absent or another operator's."""
    try:
        return Unit.objects.select_related("unit_model").get(id=unit_id)
    except (Unit.DoesNotExist, ValidationError, ValueError):
        raise NotFound(_("There is no unit here with this id.")) from None


def unit_by_code(code: str) -> Unit:
    """A unit by its printed label, in any spelling (lower case, spaces, dashes)."""
    unit = Unit.objects.select_related("unit_model").filter(code=normalise_label_code(code)).first()
    if unit is None:
        raise NotFound(_("There is no unit here with this label. Check the nine characters on it."))
    return unit


def units() -> QuerySet[Unit]:
    return Unit.objects.select_related("unit_model").order_by("code")


def known_unit_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(by_ids(_KNOWN_UNITS, ids, lambda row: row[0]))


def unit_codes(ids: Collection[UUID]) -> dict[UUID, str]:
    return dict(Unit.objects.filter(id__in=ids).values_list("id", "code"))


class Printing(NamedTuple):
    """Labels made at one time of one model: how many hang nowhere yet, and all."""

    printed_at: datetime
    unit_model_id: UUID
    unit_model: str
    waiting: int
    total: int


def printings(hung: QuerySet[Any]) -> list[Printing]:
    """The printings of which some unit is not among ``hung`` (ids of units that were installed), the latest first."""
    rows = (
        Unit.objects.values("printed_at", "unit_model_id", "unit_model__name")
        .annotate(waiting=Count("id", filter=~Q(id__in=hung)), total=Count("id"))
        .filter(waiting__gt=0)
        .order_by("-printed_at", "unit_model__name")
    )
    columns = rows.values_list("printed_at", "unit_model_id", "unit_model__name", "waiting", "total")
    return [Printing(*row) for row in columns]


def waiting_codes(
    hung: QuerySet[Any], *, printed_at: datetime | None = None, unit_model_id: UUID | None = None
) -> QuerySet[Unit, str]:
    """Codes of units that hang nowhere yet, of one printing or of all, by code."""
    wanted = {"printed_at": printed_at, "unit_model_id": unit_model_id}
    rows = Unit.objects.exclude(id__in=hung).filter(
        **{name: value for name, value in wanted.items() if value is not None}
    )
    return rows.order_by("code").values_list("code", flat=True)
