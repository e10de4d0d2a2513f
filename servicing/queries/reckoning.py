"""When installed units are due and when they run dry: from their histories, agreements, standstills and rules."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import connection

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from fleet.queries import CartridgeFacts
from servicing.queries.forecasting import group_of, live_fits
from servicing.rules import due
from servicing.rules.forecasting.fits import Fits
from servicing.rules.forecasting.rows import outlook_rows as forecast_rows
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen
from servicing.rules.unit import UnitHistory
from servicing.rules.values import first_day
from servicing.rules.water import hardness_class

Versions = tuple[tuple[date, int], ...]


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


@lru_cache(maxsize=256)
def forecast_terms_of(rules: Rules) -> ForecastTerms:
    """What of an operator's values forecasts use; the same object for the same values."""
    return ForecastTerms(
        dry_target=rules.dry_target,
        false_alarms_per_1000=rules.false_alarms_per_1000,
        wick_change_cost=rules.wick_change_cost,
        wick_failure_cost=rules.wick_failure_cost,
        wick_down_day_cost=rules.wick_down_day_cost,
        wick_wash_cost=rules.wick_wash_cost,
    )


class Master:
    """What due days and outlooks are reckoned with beside the histories: by site, by cartridge, the operator's values."""

    __slots__ = (
        "_terms", "cartridges", "dry_before", "fits", "long_past", "site_due", "sites", "wick_limit", "wick_watch", "zones",
    )  # fmt: skip

    def __init__(
        self,
        *,
        zones: dict[UUID, str],
        sites: dict[UUID, SiteFacts],
        site_due: dict[UUID, due.SiteDue],
        cartridges: Mapping[UUID, CartridgeFacts],
        rules: Sequence[Rules],
        fits: Fits,
    ) -> None:
        self.zones = zones
        self.sites = sites
        self.site_due = site_due
        self.cartridges = cartridges
        self.fits = fits
        self._terms = [(one.effective_from.toordinal(), forecast_terms_of(one)) for one in rules]
        self.long_past: Versions = tuple((one.effective_from, one.long_past_days) for one in rules)
        self.dry_before: Versions = tuple((one.effective_from, -one.dry_soon_days) for one in rules)
        self.wick_watch: Versions = tuple((one.effective_from, one.wick_watch_days) for one in rules)
        self.wick_limit: Versions = tuple((one.effective_from, one.wick_limit_days) for one in rules)

    def terms_on(self, next_on: int | None) -> ForecastTerms:
        """The values in force on a due day; the latest where none is to come, the first before they were set."""
        found = self._terms[0][1]
        for from_on, terms in self._terms:
            if next_on is None or from_on <= next_on:
                found = terms
        return found


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
    master = master_of(placed, standstills)
    in_order = sorted(placed, key=lambda placed_unit: placed_unit.unit_id)
    return segment_rows(in_order, master), outlook_rows(in_order, master)


def segment_rows(placed: Sequence[Placed], master: Master) -> list[dict[str, Any]]:
    return [
        {"unit_id": str(one.unit_id), "site_id": str(one.site_id), **row}
        for one in placed
        for row in _segments_of(one, master)
    ]


def outlook_rows(placed: Sequence[Placed], master: Master) -> list[dict[str, Any]]:
    by_terms: dict[ForecastTerms, list[int]] = {}
    units = [_seen(one, master) for one in placed]
    for place, one in enumerate(units):
        by_terms.setdefault(master.terms_on(one.next_on), []).append(place)
    rows: list[dict[str, Any]] = [{}] * len(placed)
    for terms, places in by_terms.items():
        found = forecast_rows([units[place] for place in places], master.fits, terms)
        for place, row in zip(places, found, strict=True):
            rows[place] = _outlook(placed[place], units[place], row, master)
    return rows


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


def _outlook(one: Placed, unit: UnitSeen, row: dict[str, Any], master: Master) -> dict[str, Any]:
    """The stored row: the forecast with the ids, and the dates that the operator's own values or a zone decide."""
    since_s, dry_on = row.pop("drift_since_s"), row["dry_on"]
    soon = first_day(date.fromisoformat(dry_on), master.dry_before) if dry_on else None
    zone = master.zones[one.site_id]
    since_on = clock.local_date(datetime.fromtimestamp(since_s, UTC), zone) if since_s is not None else None
    return {
        "unit_id": str(one.unit_id),
        "site_id": str(one.site_id),
        **row,
        "dry_soon_from": _plain(soon),
        "drift_since_on": _plain(since_on),
        "wick_since_on": date.fromordinal(int(unit.wick_since)).isoformat() if unit.wick_since else None,
    }


def _seen(one: Placed, master: Master) -> UnitSeen:
    """The unit as a forecast sees it."""
    history, site = one.history, master.sites[one.site_id]
    zone = clock.zone_of(master.zones[one.site_id])
    cartridge = master.cartridges.get(UUID(history.cartridge_id)) if history.cartridge_id else None
    set_dose = float(history.set_dose_ml_per_day) if history.set_dose_ml_per_day else 0.0
    installed_at, exchanged_at = _day(history.installed_at, zone), _day(history.last_exchange_at, zone)
    assert installed_at is not None, "an installed unit has its day"
    wick_since = _day(history.wick_since, zone)
    wick_on = date.fromordinal(int(wick_since)) if wick_since else None
    opens_on, next_on, after_on = next_due_days(
        master.site_due[one.site_id], int(max(installed_at, exchanged_at or 0.0))
    )
    return UnitSeen(
        intervals=history.intervals,
        group=group_of(site.kind, cartridge.code if cartridge else ""),
        site_kind=site.kind,
        hardness=site.hardness,
        liquid=cartridge.family if cartridge else "",
        dust=site.dust,
        nominal_ml_per_day=set_dose or (cartridge.nominal_ml_per_day if cartridge else None),
        level_ml=history.level_ml,
        level_at=_day(history.level_at, zone),
        charged_at=_day(history.charged_at, zone),
        installed_at=installed_at,
        wick_since=wick_since,
        wick_since_s=_epoch_s(history.wick_since),
        wick_good_s=history.wick_good_s,
        wick_condition=history.wick_condition,
        wick_checked=_day(history.wick_checked_at, zone),
        wick_washed=_day(history.wick_washed_at, zone),
        cleaned_at=_day(history.reservoir_cleaned_at, zone),
        next_on=next_on,
        after_on=after_on,
        opens_on=opens_on,
        watch_on=first_day(wick_on, master.wick_watch).toordinal() if wick_on else None,
        limit_on=first_day(wick_on, master.wick_limit).toordinal() if wick_on else None,
    )


# The units of a site that were exchanged on one day share them.
@lru_cache(maxsize=8_192)
def next_due_days(site_due: due.SiteDue, served_on: int) -> tuple[int | None, int | None, int | None]:
    """When the window of the open due day opens, that day, and the due day after it is met on its day; as ordinals."""
    first = _next_due(site_due, date.fromordinal(served_on))
    if first is None:
        return None, None, None
    opens_on, due_on = first
    after = _next_due(site_due, due_on)
    return opens_on.toordinal(), due_on.toordinal(), after[1].toordinal() if after else None


def _next_due(site_due: due.SiteDue, served_on: date) -> tuple[date, date] | None:
    for segment in site_due.segments(served_on, None, 0):
        if segment.opens_on is not None and segment.due_on is not None:
            return segment.opens_on, segment.due_on
    return None


def _day(instant: str | None, zone: ZoneInfo) -> float | None:
    """A stored instant as a day of the zone's calendar: the date's ordinal and the fraction of the day."""
    if instant is None:
        return None
    at = datetime.fromisoformat(instant).astimezone(zone)
    return at.toordinal() + (at.hour * 3_600 + at.minute * 60 + at.second) / 86_400


def _epoch_s(instant: str | None) -> int | None:
    return None if instant is None else int(datetime.fromisoformat(instant).timestamp())


def _local(instant: str | None, zone: str) -> date | None:
    return clock.local_date(datetime.fromisoformat(instant), zone) if instant else None


def master_of(
    placed: Sequence[Placed], standstills: Mapping[UUID, Sequence[due.Standstill]] | None = None
) -> Master:
    """What these units are reckoned with; ``standstills`` by site take the place of those that are stored."""
    site_ids = {one.site_id for one in placed}
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
        fits=live_fits(),
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
