"""The safety data sheets of liquids. A list never reads the files themselves."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.db.models import F
from django.db.models.functions import Length

from accounts.errors import NotFound
from accounts.languages import _
from fleet.models import SafetySheet


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What a library's list says of a sheet; ``liquid`` is the liquid's name, ``language`` of ISO 639-1."""

    id: UUID
    liquid_id: UUID
    liquid: str
    revision_on: date
    language: str
    bytes: int
    sha256: str
    added_at: datetime


def safety_sheets(liquid_ids: Collection[UUID] | None = None) -> list[SheetFacts]:
    """The sheets of these liquids, or of all: by the liquid's name, the newest revision first."""
    rows = SafetySheet.objects.order_by("liquid__name", "-revision_on", "language")
    if liquid_ids is not None:
        rows = rows.filter(liquid_id__in=liquid_ids)
    columns = rows.annotate(liquid_name=F("liquid__name"), size=Length("content")).values_list(
        "id", "liquid_id", "liquid_name", "revision_on", "language", "size", "sha256", "added_at"
    )
    return [SheetFacts(*row) for row in columns]


def get_safety_sheet(sheet_id: UUID) -> SheetFacts:
    """One sheet's facts; NotFound for one that is absent or another operator's."""
    found = next((sheet for sheet in safety_sheets() if sheet.id == sheet_id), None)
    if found is None:
        raise NotFound(_("There is no safety data sheet here with this id."))
    return found


def safety_sheet_content(sheet_id: UUID) -> bytes:
    """The PDF of a sheet; NotFound for one that is absent or another operator's."""
    content = SafetySheet.objects.filter(id=sheet_id).values_list("content", flat=True).first()
    if content is None:
        raise NotFound(_("There is no safety data sheet here with this id."))
    return bytes(content)
