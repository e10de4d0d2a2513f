"""When installed units are due and when they run dry: from their histories, agreements, standstills and rules."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from servicing.rules import dryness, due
from servicing.rules.unit import UnitHistory, intervals_of
from servicing.rules.values import first_day

Versions = list[tuple[date, int]]

# Without a reading the outlook of a unit ends somewhere; a dry date beyond this says only that the dose is tiny.
FARTHEST_DRY = timedelta(days=3_650)


@dataclass(frozen=True, slots=True)
class Placed:
    """An installed unit: where it hangs and what its events say."""

    unit_id: UUID
    site_id: UUID
    history: UnitHistory


@dataclass(frozen=True, slots=True)
class _Master:
    zones: dict[UUID, str]
    site_due: dict[UUID, due.SiteDue]
    doses: dict[UUID, Decimal]
    long_past: Versions
    dry_soon: Versions
    wick_watch: Versions


def placed_units(histories: Mapping[UUID, UnitHistory]) -> list[Placed]:
    """Of these units, the ones that hang somewhere."""
    places = fleet.stations({UUID(h.station_id) for h in histories.values() if h.station_id})
    return [
        Placed(unit_id, places[UUID(history.station_id)].site_id, history)
        for unit_id, history in histories.items()
        if history.is_installed and history.station_id
    ]


def rows_of(
    placed: Sequence[Placed], standstills: Mapping[UUID, Sequence[due.Standstill]] | None = None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The segment rows and outlook rows of installed units, as plain JSON values.

    ``standstills`` by site take the place of those that are stored.
    """
    master = _master({one.site_id for one in placed}, placed, standstills)
    segments: list[dict[str, Any]] = []
    outlooks: list[dict[str, Any]] = []
    for one in sorted(placed, key=lambda placed_unit: placed_unit.unit_id):
        for segment in _segments(one, master):
            segments.append(
                _json_row(one, {**_fields(segment, SEGMENT_FIELDS), "zone": master.zones[one.site_id]})
            )
        outlooks.append(_json_row(one, _outlook(one, master)))
    return segments, outlooks


def _fields(record: object, names: Sequence[str]) -> dict[str, Any]:
    return {name: getattr(record, name) for name in names}


def _json_row(one: Placed, values: dict[str, Any]) -> dict[str, Any]:
    plain = {name: str(v) if isinstance(v, date | Decimal) else v for name, v in values.items()}
    return {"unit_id": str(one.unit_id), "site_id": str(one.site_id), **plain}


def _segments(one: Placed, master: _Master) -> list[due.DueSegment]:
    zone = master.zones[one.site_id]
    installed_on = _local(one.history.installed_at, zone)
    last_on = _local(one.history.last_exchange_at, zone)
    assert installed_on is not None, "an installed unit has its day"
    segments = master.site_due[one.site_id].segments(installed_on, last_on, master.long_past[0][1])
    if len(master.long_past) == 1:
        return segments
    return [
        replace(segment, long_past_from=first_day(segment.past_grace_from, master.long_past))
        if segment.past_grace_from
        else segment
        for segment in segments
    ]


def _outlook(one: Placed, master: _Master) -> dict[str, Any]:
    history, zone = one.history, master.zones[one.site_id]
    set_dose = Decimal(history.set_dose_ml_per_day) if history.set_dose_ml_per_day else None
    nominal = master.doses.get(UUID(history.cartridge_id)) if history.cartridge_id else None
    dose = dryness.dose_estimate(intervals_of(history), set_dose, nominal)
    dry_on = _dry_on(history, dose, zone)
    wick_since_on = _local(history.wick_since, zone)
    return {
        "dose_ml_per_day": dose,
        "dry_on": dry_on,
        "dry_soon_from": first_day(dry_on, [(at, -days) for at, days in master.dry_soon]) if dry_on else None,
        "wick_since_on": wick_since_on,
        "wick_watch_from": first_day(wick_since_on, master.wick_watch) if wick_since_on else None,
    }


def _dry_on(history: UnitHistory, dose: Decimal | None, zone: str) -> date | None:
    if dose is None or history.level_ml is None or history.level_at is None:
        return None
    level_at = datetime.fromisoformat(history.level_at)
    dry_at = min(dryness.dry_at(history.level_ml, level_at, dose), level_at + FARTHEST_DRY)
    return clock.local_date(dry_at, zone)


def _local(instant: str | None, zone: str) -> date | None:
    return clock.local_date(datetime.fromisoformat(instant), zone) if instant else None


def _master(
    site_ids: Collection[UUID],
    placed: Sequence[Placed],
    standstills: Mapping[UUID, Sequence[due.Standstill]] | None,
) -> _Master:
    agreed = accounts.zones_and_terms(site_ids)
    if standstills is None:
        standstills = _stored_standstills(site_ids)
    rules = accounts.service_rules()
    return _Master(
        zones={site_id: zone for site_id, (zone, _) in agreed.items()},
        site_due={
            site_id: due.SiteDue(
                [due.Terms(**_fields(one, TERMS_FIELDS)) for one in terms], standstills.get(site_id, ())
            )
            for site_id, (_, terms) in agreed.items()
        },
        doses=fleet.nominal_doses(
            {UUID(one.history.cartridge_id) for one in placed if one.history.cartridge_id}
        ),
        long_past=[(one.effective_from, one.long_past_days) for one in rules],
        dry_soon=[(one.effective_from, one.dry_soon_days) for one in rules],
        wick_watch=[(one.effective_from, one.wick_watch_days) for one in rules],
    )


def _stored_standstills(site_ids: Collection[UUID]) -> dict[UUID, list[due.Standstill]]:
    found: dict[UUID, list[due.Standstill]] = {}
    with connection.cursor() as cursor:
        cursor.execute(_STANDSTILLS, [current_operator_id(), list(site_ids)])
        for site_id, starts_on, ends_on in cursor.fetchall():
            found.setdefault(site_id, []).append(due.Standstill(starts_on, ends_on))
    return found


_STANDSTILLS = """
SELECT site_id, starts_on, ends_on FROM servicing_standstill
WHERE operator_id = %s AND site_id = ANY(%s) ORDER BY starts_on, event_id
"""
TERMS_FIELDS = tuple(field.name for field in fields(due.Terms))
SEGMENT_FIELDS = tuple(field.name for field in fields(due.DueSegment))
