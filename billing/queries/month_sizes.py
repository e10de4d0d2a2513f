"""How large a month is, and how many documents each close made; inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from django.db.models import Count

import fleet.queries
from billing.models import Document


def has_more_units_than(most: int) -> bool:
    """Whether the operator has more units than so many: what the work of a close grows with."""
    return fleet.queries.units().order_by()[: most + 1].count() > most


def documents_by_close(close_ids: Collection[UUID]) -> dict[UUID, int]:
    """How many documents each of these closes issued; one that issued none is left out."""
    rows = Document.objects.filter(close_id__in=close_ids).order_by().values("close_id")
    return dict(rows.annotate(documents=Count("id")).values_list("close_id", "documents"))
