"""The projections made again from the log beside what is stored, and compared."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import DecimalField

from accounts import tenancy
from servicing import log
from servicing.models import (
    Checkpoint,
    DueSegment,
    Event,
    Finding,
    Outlook,
    Report,
    Standstill,
    UnitState,
    Visit,
)
from servicing.projections import shadows, storing
from servicing.projections.folding import PROJECTION
from servicing.queries import reckoning
from servicing.queries.folds import fold_units, site_rows, visit_rows
from servicing.queries.outlooks import rows_of
from servicing.rules.unit import UnitHistory

UNITS_AT_ONCE = 500


def check(operator_id: UUID) -> list[str]:
    """What in an operator's stored projections differs from what its log gives; an empty list when nothing does."""
    with tenancy.operator_scope(operator_id, read_only=True, one_snapshot_of=shadows.TABLES):
        checkpoint = Checkpoint.objects.filter(projection=PROJECTION).first()
        position, head = (checkpoint.position if checkpoint else 0), log.head_position()
        differences = [] if position == head else [f"the checkpoint stands at {position}, the log at {head}"]
        for table, derived in _derived():
            differences += _compare(table, derived)
        return differences


def _subjects(kind: str) -> list[UUID]:
    rows = Event.objects.filter(subject_kind=kind).order_by("subject_id").values_list("subject_id", flat=True)
    return list(rows.distinct())


def _derived() -> Iterator[tuple[type, list[dict[str, Any]]]]:
    """Each projected table with the rows that the log gives for it."""
    histories: dict[UUID, UnitHistory] = {}
    unit_ids = _subjects("unit")
    for start in range(0, len(unit_ids), UNITS_AT_ONCE):
        histories |= fold_units(unit_ids[start : start + UNITS_AT_ONCE])
    places = storing.places_of(histories)
    yield UnitState, storing.unit_columns(histories, places)
    segments, outlooks = rows_of(reckoning.placed_units(histories))
    yield DueSegment, segments
    yield Outlook, outlooks
    yield Finding, storing.finding_rows(histories)
    standstills, site_reports = site_rows(_subjects("site"))
    yield Standstill, [_columns(row) for row in standstills]
    yield Report, [_columns(row) for row in site_reports] + storing.report_rows(histories, places)
    visit_ids = set(_subjects("visit"))
    yield Visit, [_columns(row) for row in visit_rows(visit_ids)]


def _columns(row: Any) -> dict[str, Any]:
    return {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}


def _compare(model: Any, derived: list[dict[str, Any]]) -> list[str]:
    columns = {f.attname: f for f in model._meta.concrete_fields if f.attname != "operator_id"}
    stored = _canonical(model.objects.values(*columns), columns)
    expected = _canonical(derived, columns)
    table = model._meta.db_table
    return [f"{table}: not what the log gives: {row}" for row in sorted(stored - expected)] + [
        f"{table}: missing: {row}" for row in sorted(expected - stored)
    ]


def _canonical(rows: Iterable[dict[str, Any]], columns: dict[str, Any]) -> set[str]:
    """Rows as text that is equal when the rows are."""
    return {
        json.dumps({name: _plain(row.get(name), column) for name, column in columns.items()}, sort_keys=True)
        for row in rows
    }


def _plain(value: Any, column: Any) -> Any:
    if isinstance(column, DecimalField) and value is not None:
        return format(Decimal(value), f".{column.decimal_places}f")
    if isinstance(value, datetime):
        return value.isoformat(timespec="microseconds")
    if isinstance(value, date | UUID):
        return str(value)
    return value
