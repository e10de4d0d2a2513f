"""What forecasts are made from: the operator's live fits, and what its units and its log say when they are made anew."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from uuid import UUID

import orjson
from django.db import connection
from django.db.models import QuerySet

from accounts.tenancy import current_operator_id
from servicing.events.types import EventType
from servicing.models import Fit
from servicing.rules import balance
from servicing.rules.fold import AHEAD_TOLERANCE
from servicing.rules.forecasting.fits import PRIORS, Fits, dose_fits_of, wick_fits_of
from servicing.rules.forecasting.learning import UnitLearnt
from servicing.rules.forecasting.looks import WickLine

DOSE, WICK = "dose", "wick"
# Of each kind, so that a page can show how a fit has moved; the older ones go.
KEPT_FITS = 30


def fits() -> QuerySet[Fit]:
    """The live fits and those before them, the latest first."""
    return Fit.objects.order_by("-made_at", "-position", "-id")


def live_fits() -> Fits:
    """The operator's fits that hold now; priors where it has none."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {LIVE_SQL}", {"operator": current_operator_id()})
        return fits_of(*cursor.fetchone())


# The ids of the live fits, of doses and of wicks: two columns to be selected.
LIVE_SQL = ", ".join(
    f"(SELECT id FROM servicing_fit WHERE operator_id = %(operator)s AND kind = '{kind}' "
    "ORDER BY made_at DESC, position DESC, id DESC LIMIT 1)"
    for kind in (DOSE, WICK)
)


def fits_of(dose_id: UUID | None, wick_id: UUID | None) -> Fits:
    """The fits of these ids. Each is read and understood once a process: a fit never changes."""
    return PRIORS if dose_id is None and wick_id is None else _fits(dose_id, wick_id)


@lru_cache(maxsize=512)
def _fits(dose_id: UUID | None, wick_id: UUID | None) -> Fits:
    stored = dict(Fit.objects.filter(id__in=[dose_id, wick_id]).values_list("id", "parameters"))
    return Fits(
        dose=dose_fits_of(stored[dose_id]) if dose_id else PRIORS.dose,
        wick=wick_fits_of(stored[wick_id]) if wick_id else PRIORS.wick,
    )


_UNITS_SQL = """
SELECT u.unit_id::text, s.kind, s.hardness_mg_per_l, l.family, c.code,
    coalesce(nullif((u.history->>'set_dose_ml_per_day')::float8, 0), c.nominal_dose_ml_per_day::float8),
    CASE WHEN u.site_id IS NOT NULL THEN u.history->'intervals' END, u.history->'wick_lives',
    CASE WHEN u.site_id IS NOT NULL THEN floor(extract(epoch FROM (u.history->>'wick_since')::timestamptz))::bigint END,
    (u.history->>'wick_good_s')::bigint, (u.history->>'wick_failed_s')::bigint
FROM servicing_unitstate u
LEFT JOIN fleet_station p ON p.operator_id = u.operator_id AND p.id = (u.history->>'station_id')::uuid
LEFT JOIN fleet_restroom r ON r.operator_id = p.operator_id AND r.id = p.restroom_id
LEFT JOIN accounts_site s ON s.operator_id = r.operator_id AND s.id = r.site_id
LEFT JOIN fleet_cartridge c ON c.operator_id = u.operator_id AND c.id = (u.history->>'cartridge_id')::uuid
LEFT JOIN fleet_liquid l ON l.operator_id = c.operator_id AND l.id = c.liquid_id
WHERE u.operator_id = %s ORDER BY u.unit_id
"""


def units_learnt() -> Iterator[UnitLearnt]:
    """Every unit that was ever installed, in the order of their ids."""
    with connection.cursor() as cursor:
        cursor.execute(_UNITS_SQL, [current_operator_id()])
        for unit_id, kind, hardness, family, code, nominal, intervals, lives, *seconds in cursor.fetchall():
            if kind is None:
                continue
            yield UnitLearnt(
                unit_id,
                group_of(kind, code or ""),
                kind,
                hardness,
                family or "",
                nominal,
                # As a history does: balances of an older shape wait for the rebuild.
                [row for row in orjson.loads(intervals or "[]") if len(row) == len(balance.FIELDS)],
                orjson.loads(lives) if lives else [],
                *seconds,
            )


def group_of(site_kind: str, cartridge_code: str) -> str:
    """The units whose doses resemble each other: those at one kind of site with one cartridge."""
    return f"{site_kind}/{cartridge_code}"


# A corrected event and its correction are both left out: of a fleet's looks they are too few to matter.
_LOOKS_SQL = f"""
SELECT e.subject_id::text, floor(extract(epoch FROM e.occurred_at))::bigint, e.type,
    coalesce(e.payload->>'condition', e.payload->>'wick', e.payload->>'reason', '')
FROM servicing_event e
WHERE e.operator_id = %s AND e.position <= %s AND e.subject_kind = 'unit' AND e.type = ANY(%s) AND e.corrects IS NULL
    AND e.occurred_at <= e.received_at + interval '{int(AHEAD_TOLERANCE.total_seconds())} seconds'
    AND NOT EXISTS (
        SELECT FROM servicing_event c
        WHERE c.operator_id = e.operator_id AND c.corrects = e.event_id AND c.corrects IS NOT NULL
    )
ORDER BY e.subject_id, e.occurred_at, e.device_id, e.device_sequence, e.event_id
"""
_LOOK_TYPES = [
    EventType.UNIT_INSTALLED.value,
    EventType.UNIT_WITHDRAWN.value,
    EventType.WICK_CHANGED.value,
    EventType.WICK_CHECKED.value,
    EventType.WICK_WASHED.value,
]


def wick_lines(upto: int) -> Iterator[WickLine]:
    """What the log up to a position says of wicks, unit by unit, each in canonical order."""
    with connection.cursor() as cursor:
        cursor.execute(_LOOKS_SQL, [current_operator_id(), upto, _LOOK_TYPES])
        yield from map(WickLine._make, cursor.fetchall())
