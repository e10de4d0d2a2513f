"""The versions of things that the feed tells of: how often each changed."""

from __future__ import annotations

from uuid import UUID

from billing.models import Change


def version_of(kind: str, object_id: UUID) -> int:
    """The version that is stored of a thing; 0 for one that the feed has not heard of."""
    found = Change.objects.filter(kind=kind, object_id=object_id).values_list("version", flat=True)
    return found.first() or 0
