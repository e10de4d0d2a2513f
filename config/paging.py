"""Pages by key: the next one begins after the last row seen, so rows that come or go in between shift nothing."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Field, Model, Q, QuerySet
from django.utils.timezone import is_naive
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from accounts.errors import BadInput, Problem

MOST_ROWS = 200
USUAL_ROWS = 50
LONGEST_CURSOR = 600


class KeysetPage(BasePagination):
    """``?limit=`` up to 200 rows after ``?after=``, an opaque cursor over the columns of the view's ``ordering``."""

    next_cursor: str | None = None

    def paginate_queryset(
        self,
        queryset: QuerySet[Any],  # type: ignore[override]
        request: Request,
        view: APIView | None = None,
    ) -> list[Any]:
        ordering: Sequence[str] = view.ordering  # type: ignore[union-attr]
        limit = self.limit_of(request)
        rows = queryset.order_by(*ordering)
        cursor = request.query_params.get("after")
        if cursor is not None:
            rows = rows.filter(_beyond(ordering, _read_cursor(queryset.model, ordering, cursor)))
        found = list(rows[: limit + 1])
        self.next_cursor = _cursor(found[limit - 1], ordering) if len(found) > limit else None
        return found[:limit]

    def limit_of(self, request: Request) -> int:
        """How many rows are asked for; also for a view that reads on in a way of its own."""
        return _limit(request.query_params.get("limit"))

    def get_paginated_response(self, data: Any) -> Response:
        return Response({"results": data, "next": self.next_cursor})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        return {
            "type": "object",
            "required": ["results", "next"],
            "properties": {
                "results": schema,
                "next": {
                    "type": ["string", "null"],
                    "description": "The value of `after` for the next page; null on the last one.",
                },
            },
        }

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        return [
            {
                "name": "limit",
                "in": "query",
                "required": False,
                "description": f"How many rows at most; {USUAL_ROWS} unless given.",
                "schema": {"type": "integer", "minimum": 1, "maximum": MOST_ROWS},
            },
            {
                "name": "after",
                "in": "query",
                "required": False,
                "description": "The `next` of the page before.",
                "schema": {"type": "string", "maxLength": LONGEST_CURSOR},
            },
        ]


def _limit(text: str | None) -> int:
    if text is None:
        return USUAL_ROWS
    if not (text.isascii() and text.isdigit() and len(text) <= 3 and 1 <= int(text) <= MOST_ROWS):  # noqa: PLR2004
        raise BadInput(
            "The page could not be given.",
            errors=[Problem("/limit", "out-of-range", f"Expected: a whole number from 1 to {MOST_ROWS}.")],
        )
    return int(text)


def _column(model: type[Model], name: str) -> Field[Any, Any]:
    column = model._meta.get_field(name.removeprefix("-"))
    assert isinstance(column, Field), "a page is ordered by columns of its own table"
    return column


def _cursor(row: Model, ordering: Sequence[str]) -> str:
    values = [_column(type(row), name).value_to_string(row) for name in ordering]
    return base64.urlsafe_b64encode(json.dumps(values).encode()).decode().rstrip("=")


def _read_cursor(model: type[Model], ordering: Sequence[str], cursor: str) -> list[Any]:
    texts = _texts(cursor)
    values = [_value(model, *pair) for pair in zip(ordering, texts, strict=False)]
    if len(texts) != len(ordering) or None in values:
        raise BadInput(
            "The page could not be given.",
            errors=[Problem("/after", "unreadable", "Expected: the `next` of a page of this same list.")],
        )
    return values


def _texts(cursor: str) -> list[Any]:
    """What a cursor holds; an empty list for anything that is none."""
    if len(cursor) > LONGEST_CURSOR:
        return []
    try:
        held = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
    except (ValueError, RecursionError):
        return []
    return held if isinstance(held, list) else []


def _value(model: type[Model], name: str, text: Any) -> Any:
    """A column's value from its text in a cursor; None for what can't be one."""
    if not isinstance(text, str) or "\x00" in text:
        return None
    try:
        value = _column(model, name).to_python(text)
    except ValidationError:
        return None
    return None if isinstance(value, datetime) and is_naive(value) else value


def _beyond(ordering: Sequence[str], values: Sequence[Any]) -> Q:
    """Rows after these values. The bound on the first column alone is implied, but lets an index begin there."""
    first = ordering[0]
    bound = Q(**{first.removeprefix("-") + ("__lte" if first.startswith("-") else "__gte"): values[0]})
    wanted, same = Q(), Q()
    for name, value in zip(ordering, values, strict=True):
        column = name.removeprefix("-")
        wanted |= same & Q(**{column + ("__lt" if name.startswith("-") else "__gt"): value})
        same &= Q(**{column: value})
    return bound & wanted
