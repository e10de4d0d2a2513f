"""The versions of rows whose changes an app above this one counts."""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

from django.conf import settings
from django.utils.module_loading import import_string


def version_of(kind: str, row_id: UUID) -> int:
    """The version that is stored of a row, 0 for one that was never there; inside the scope."""
    counted: Callable[[str, UUID], int] = import_string(settings.VERSIONS_COUNTED_BY)
    return counted(kind, row_id)
