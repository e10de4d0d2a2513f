"""Units by their id or their label."""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import QuerySet

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
