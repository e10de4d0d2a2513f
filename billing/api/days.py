"""Days in the address of a read."""

from __future__ import annotations

from datetime import date

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from accounts.errors import BadInput, Problem, pointer_to


def day_parameter(name: str, description: str) -> OpenApiParameter:
    return OpenApiParameter(name, OpenApiTypes.DATE, description=description)


def day_asked(request: Request, name: str) -> date | None:
    """The day that a query parameter gives; None without it, BadInput for what is no day."""
    text = request.query_params.get(name)
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        problem = Problem(pointer_to(name), "invalid", "Give a day as year-month-day, such as 2026-06-30.")
        raise BadInput("The address names no day.", errors=[problem]) from None
