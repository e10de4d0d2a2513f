"""When installed units are due and when they run dry: from their histories, agreements, standstills and rules."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from fleet.queries import CartridgeFacts
from servicing.rules import dryness, due
from servicing.rules.unit import UnitHistory, intervals_of
from servicing.rules.values import first_day
from servicing.rules.water import hardness_class

Versions = tuple[tuple[date, int], ...]

# The columns of an outlook while there is nothing to say.
NO_FORECAST: dict[str, Any] = {
    **dict.fromkeys(
        ("empty_on", "dry_earliest_on", "dry_latest_on", "chance_dry", "latest_on", "drift_since_on")
    ),
    **dict.fromkeys(("wick_chance", "wick_saving", "clean_due_on")),
    **dict.fromkeys(("dry_advice", "drift", "drift_advice", "wick_advice", "wick_reason"), ""),
    "basis": {},
}

# Without a reading the outlook of a unit ends somewhere; a dry date beyond this says only that the dose is tiny.
FARTHEST_DRY = timedelta(days=3_650)


@dataclass(frozen=True, slots=True)
class Placed:
    """An installed unit: where it hangs and what its events say."""

    unit_id: UUID
    site_id: UUID
    history: UnitHistory


class SiteFacts(NamedTuple):
    """What forecasts need to know of a site; ``hardness`` is the class of its water."""

    kind: str
    hardness: str
    dust: str


class Rules(NamedTuple):
    """The operator's values from a date on, in the order of ``RULE_FIELDS``."""

    effective_from: date
    long_past_days: int
    dry_soon_days: int
    wick_watch_days: int
    wick_limit_days: int
    dry_target: float
    false_alarms_per_1000: float
    wick_change_cost: float
    wick_failure_cost: float
    wick_down_day_cost: float
    wick_wash_cost: float


RULE_FIELDS = Rules._fields[1:]


class Master:
    """What due days and outlooks are reckoned with beside the histories: by site, by cartridge, the operator's values."""

    __slots__ = ("cartridges", "dry_soon", "long_past", "rules", "site_due", "sites", "wick_watch", "zones")

    def __init__(
        self,
        zones: dict[UUID, str],
        sites: dict[UUID, SiteFacts],
        site_due: dict[UUID, due.SiteDue],
        cartridges: Mapping[UUID, CartridgeFacts],
        rules: Sequence[Rules],
    ) -> None:
        self.zones = zones
        self.sites = sites
        self.site_due = site_due
        self.cartridges = cartridges
        self.rules = rules
        self.long_past: Versions = tuple((one.effective_from, one.long_past_days) for one in rules)
        self.dry_soon: Versions = tuple((one.effective_from, one.dry_soon_days) for one in rules)
        self.wick_watch: Versions = tuple((one.effective_from, one.wick_watch_days) for one in rules)


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
    in_order = sorted(placed, key=lambda placed_unit: placed_unit.unit_id)
    return segment_rows(in_order, master), outlook_rows(in_order, master)


def segment_rows(placed: Sequence[Placed], master: Master) -> list[dict[str, Any]]:
    return [
        {"unit_id": str(one.unit_id), "site_id": str(one.site_id), **row}
        for one in placed
        for row in _segments_of(one, master)
    ]


def outlook_rows(placed: Sequence[Placed], master: Master) -> list[dict[str, Any]]:
    return [
        {"unit_id": str(one.unit_id), "site_id": str(one.site_id), **_outlook(one, master)} for one in placed
    ]


def _segments_of(one: Placed, master: Master) -> tuple[dict[str, Any], ...]:
    zone = master.zones[one.site_id]
    installed_on = _local(one.history.installed_at, zone)
    last_on = _local(one.history.last_exchange_at, zone)
    assert installed_on is not None, "an installed unit has its day"
    return _segments(master.site_due[one.site_id], installed_on, last_on, master.long_past, zone)


# The units of a site that were exchanged on one day share their segments.
@lru_cache(maxsize=2_048)
def _segments(
    site_due: due.SiteDue, installed_on: date, last_on: date | None, long_past: Versions, zone: str
) -> tuple[dict[str, Any], ...]:
    segments = site_due.segments(installed_on, last_on, long_past[0][1])
    if len(long_past) > 1:
        segments = [
            replace(segment, long_past_from=first_day(segment.past_grace_from, long_past))
            if segment.past_grace_from
            else segment
            for segment in segments
        ]
    return tuple(
        {name: _plain(getattr(segment, name)) for name in SEGMENT_FIELDS} | {"zone": zone}
        for segment in segments
    )


@lru_cache(maxsize=2_048)
def site_due_of(terms: tuple[due.Terms, ...], standstills: tuple[due.Standstill, ...]) -> due.SiteDue:
    """A site's due days, the same object for the same agreements and standstills."""
    return due.SiteDue(terms, standstills)


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, date | Decimal) else value


def _outlook(one: Placed, master: Master) -> dict[str, Any]:
    history, zone = one.history, master.zones[one.site_id]
    set_dose = Decimal(history.set_dose_ml_per_day) if history.set_dose_ml_per_day else None
    facts = master.cartridges.get(UUID(history.cartridge_id)) if history.cartridge_id else None
    nominal = Decimal(str(facts.nominal_ml_per_day)) if facts else None
    dose = dryness.dose_estimate(intervals_of(history), set_dose, nominal)
    dry_on = _dry_on(history, dose, zone)
    wick_since_on = _local(history.wick_since, zone)
    values = {
        "dose_ml_per_day": dose,
        "dry_on": dry_on,
        "dry_soon_from": first_day(dry_on, [(at, -days) for at, days in master.dry_soon]) if dry_on else None,
        "wick_since_on": wick_since_on,
        "wick_watch_from": first_day(wick_since_on, master.wick_watch) if wick_since_on else None,
    }
    return NO_FORECAST | {name: _plain(value) for name, value in values.items()}


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
) -> Master:
    agreed = accounts.agreed_sites(site_ids)
    if standstills is None:
        standstills = _stored_standstills(site_ids)
    return Master(
        zones={site_id: site.zone for site_id, site in agreed.items()},
        sites={
            site_id: SiteFacts(site.kind, hardness_class(site.hardness_mg_per_l), site.dust)
            for site_id, site in agreed.items()
        },
        site_due={
            site_id: site_due_of(
                tuple(due.Terms(*(getattr(one, name) for name in TERMS_FIELDS)) for one in site.terms),
                tuple(standstills.get(site_id, ())),
            )
            for site_id, site in agreed.items()
        },
        cartridges=fleet.cartridge_facts(
            {UUID(one.history.cartridge_id) for one in placed if one.history.cartridge_id}
        ),
        rules=[rules_of(one) for one in accounts.service_rules()],
    )


def rules_of(stored: Any) -> Rules:
    """The values of a stored row of rules."""
    return Rules(
        stored.effective_from,
        *(int(getattr(stored, name)) for name in RULE_FIELDS[:4]),
        *(float(getattr(stored, name)) for name in RULE_FIELDS[4:]),
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
