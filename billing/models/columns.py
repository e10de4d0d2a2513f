"""Kinds of columns and constraints that several tables of billing have."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeBoundary, RangeOperators
from django.db import models
from django.db.models import F, Func, Q


def choices(words: Iterable[str]) -> list[tuple[str, str]]:
    return [(str(word), str(word).replace("_", " ")) for word in words]


def amount(**more: Any) -> models.DecimalField:
    """Money in a document's currency: its minor units are at most four."""
    return models.DecimalField(max_digits=20, decimal_places=4, **more)


def price(**more: Any) -> models.DecimalField:
    """A price or a minimum: up to six decimals."""
    return models.DecimalField(max_digits=20, decimal_places=6, **more)


def word(most: int, *words: str, **more: Any) -> models.CharField:
    """A short text; empty unless given. ``words``: the ones it may be."""
    more.setdefault("default", "")
    more.setdefault("db_default", more["default"])
    if words:
        more["choices"] = choices(words)
    return models.CharField(max_length=most, blank=more["default"] == "", **more)


def no_overlap(name: str, *keys: Any, start: str, end: str) -> ExclusionConstraint:
    """Rows of one operator that agree in ``keys`` never share a day of [start, end)."""
    days = Func(F(start), F(end), RangeBoundary(), function="daterange", output_field=DateRangeField())
    return ExclusionConstraint(
        name=name,
        expressions=[
            ("operator", RangeOperators.EQUAL),
            *((key, RangeOperators.EQUAL) for key in keys),
            (days, RangeOperators.OVERLAPS),
        ],
    )


def ends_after_start(name: str, start: str, end: str) -> models.CheckConstraint:
    return models.CheckConstraint(condition=Q(**{end: None}) | Q(**{f"{end}__gt": F(start)}), name=name)
