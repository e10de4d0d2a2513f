"""When installed units are due: from their histories, agreements, standstills and rules; and what outlooks add to these."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
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
from servicing.queries.forecasting import live_fits
from servicing.rules import due
from servicing.rules.forecasting.fits import Fits
from servicing.rules.forecasting.seen import ForecastTerms
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
    """What is to be known of a site: the name of its zone, its due days; ``hardness`` is the class of its water."""

    zone: str
    due: due.SiteDue
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
    """What due days and outlooks are reckoned with beside the histories: sites by id, cartridges by the text of theirs,
    the operator's values and fits.
    """

    __slots__ = ("_soon", "_terms", "_wick_days", "_wick_limit", "_wick_watch", "cartridges", "dry_before", "fits", "long_past", "sites")  # fmt: skip

    def __init__(
        self,
        *,
        sites: dict[UUID, SiteFacts],
        cartridges: Mapping[str, CartridgeFacts],
        rules: Sequence[Rules],
        fits: Fits,
    ) -> None:
        self.sites = sites
        self.cartridges = cartridges
        self.fits = fits
        self._terms = [(one.effective_from.toordinal(), forecast_terms_of(one)) for one in rules]
        self.long_past: Versions = tuple((one.effective_from, one.long_past_days) for one in rules)
        self.dry_before: Versions = tuple((one.effective_from, -one.dry_soon_days) for one in rules)
        self._wick_watch: Versions = tuple((one.effective_from, one.wick_watch_days) for one in rules)
        self._wick_limit: Versions = tuple((one.effective_from, one.wick_limit_days) for one in rules)
        # Of a fleet many share a day.
        self._soon: dict[str, str] = {}
        self._wick_days: dict[int, tuple[int, int]] = {}

    def soon_from(self, dry_on: str) -> str:
        """From when a unit that is dry on a day is dry soon; dates as text."""
        found = self._soon.get(dry_on)
        if found is None:
            found = first_day(date.fromisoformat(dry_on), self.dry_before).isoformat()
            self._soon[dry_on] = found
        return found

    def wick_days(self, since_on: int) -> tuple[int, int]:
        """When a wick put in on a day comes to be watched and to its limit; ordinals."""
        found = self._wick_days.get(since_on)
        if found is None:
            on = date.fromordinal(since_on)
            found = (
                first_day(on, self._wick_watch).toordinal(),
                first_day(on, self._wick_limit).toordinal(),
            )
            self._wick_days[since_on] = found
        return found

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


def segment_rows(placed: Sequence[Placed], master: Master) -> list[dict[str, Any]]:
    return [
        {"unit_id": str(one.unit_id), "site_id": str(one.site_id), **row}
        for one in placed
        for row in _segments_of(one, master)
    ]


def _segments_of(one: Placed, master: Master) -> tuple[dict[str, Any], ...]:
    site = master.sites[one.site_id]
    zone = site.zone
    served_on = _local(one.history.served_at, zone)
    assert served_on is not None, "an installed unit has its day"
    return _segments(site.due, served_on, master.long_past, zone)


# The units of a site that were exchanged on one day share their segments.
@lru_cache(maxsize=2_048)
def _segments(
    site_due: due.SiteDue, served_on: date, long_past: Versions, zone: str
) -> tuple[dict[str, Any], ...]:
    segments = site_due.segments(served_on, None, long_past[0][1])
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
    cartridge_ids = {one.history.cartridge_id for one in placed if one.history.cartridge_id}
    return Master(
        sites={
            site_id: SiteFacts(
                site.zone,
                site_due_of(
                    tuple(due.Terms(*(getattr(one, name) for name in TERMS_FIELDS)) for one in site.terms),
                    tuple(standstills.get(site_id, ())),
                ),
                site.kind,
                hardness_class(site.hardness_mg_per_l),
                site.dust,
            )
            for site_id, site in agreed.items()
        },
        cartridges={
            str(cartridge_id): facts
            for cartridge_id, facts in fleet.cartridge_facts({UUID(one) for one in cartridge_ids}).items()
        },
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
