"""Instants in query parameters, as every other one: in UTC, and of a year that there is."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django_filters import IsoDateTimeFilter
from django_filters.fields import IsoDateTimeField

from accounts.languages import _


class _Instant(IsoDateTimeField):
    """The database knows no offset of sixteen hours or more, which ISO 8601 can write all the same."""

    def to_python(self, value: Any) -> datetime | None:
        read: datetime | None = super().to_python(value)
        try:
            return None if read is None else read.astimezone(UTC)
        except OverflowError:
            raise ValidationError(_("Expected: an instant of the years 1 to 9999."), "invalid") from None


class InstantFilter(IsoDateTimeFilter):
    field_class = _Instant
