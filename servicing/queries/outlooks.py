"""What is to be expected of installed units: their outlooks, and the rows of all that is reckoned of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

from accounts import clock
from servicing.queries.forecasting import group_of
from servicing.queries.reckoning import Master, Placed, master_of, segment_rows
from servicing.rules import due
from servicing.rules.balance import epoch_s
from servicing.rules.forecasting.dry import FleetRead
from servicing.rules.forecasting.rows import outlook_rows as forecast_rows
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen


def rows_of(
    placed: Sequence[Placed], standstills: Mapping[UUID, Sequence[due.Standstill]] | None = None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The segment rows and outlook rows of installed units, as plain JSON values.

    ``standstills`` by site take the place of those that are stored.
    """
    master = master_of(placed, standstills)
    in_order = sorted(placed, key=lambda placed_unit: placed_unit.unit_id)
    return segment_rows(in_order, master), outlook_rows(in_order, master)


def outlook_rows(
    placed: Sequence[Placed], master: Master, read: FleetRead | None = None
) -> list[dict[str, Any]]:
    """The outlook rows of installed units; ``read``: their intervals in columns, where they are made already."""
    by_terms: dict[ForecastTerms, list[int]] = {}
    units = [_seen(one, master) for one in placed]
    for place, one in enumerate(units):
        by_terms.setdefault(master.terms_on(one.next_on), []).append(place)
    rows: list[dict[str, Any]] = [{}] * len(placed)
    for terms, places in by_terms.items():
        own = read if len(places) == len(placed) else None
        found = forecast_rows([units[place] for place in places], master.fits, terms, own)
        for place, row in zip(places, found, strict=True):
            rows[place] = _outlook(placed[place], units[place], row, master)
    return rows


def _outlook(one: Placed, unit: UnitSeen, row: dict[str, Any], master: Master) -> dict[str, Any]:
    """The stored row: the forecast with the ids, and the dates that the operator's own values or a zone decide."""
    since_s, dry_on = row.pop("drift_since_s"), row["dry_on"]
    since_on = None
    if since_s is not None:
        at, zone = datetime.fromtimestamp(since_s, UTC), master.sites[one.site_id].zone
        since_on = clock.local_date(at, zone).isoformat()
    row["unit_id"], row["site_id"] = str(one.unit_id), str(one.site_id)
    row["dry_soon_from"] = master.soon_from(dry_on) if dry_on else None
    row["drift_since_on"] = since_on
    row["wick_since_on"] = (
        None if unit.wick_since is None else date.fromordinal(int(unit.wick_since)).isoformat()
    )
    return row


def _seen(one: Placed, master: Master) -> UnitSeen:
    """The unit as a forecast sees it."""
    history, site = one.history, master.sites[one.site_id]
    cartridge = master.cartridges.get(history.cartridge_id) if history.cartridge_id else None
    set_dose = float(history.set_dose_ml_per_day) if history.set_dose_ml_per_day else 0.0
    zone, since = site.zone, history.wick_since
    installed_at = _day(history.installed_at, zone)
    served_at = _day(history.served_at, zone)
    assert installed_at is not None, "an installed unit has its day"
    assert served_at is not None, "and so is it served"
    wick_since = _day(since, zone)
    watch_on, limit_on = (None, None) if wick_since is None else master.wick_days(int(wick_since))
    opens_on, next_on, after_on = next_due_days(site.due, int(served_at))
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
        wick_since_s=None if since is None else epoch_s(since),
        wick_good_s=history.wick_good_s,
        wick_condition=history.wick_condition,
        wick_checked=_day(history.wick_checked_at, zone),
        wick_washed=_day(history.wick_washed_at, zone),
        cleaned_at=_day(history.reservoir_cleaned_at, zone),
        next_on=next_on,
        after_on=after_on,
        opens_on=opens_on,
        watch_on=watch_on,
        limit_on=limit_on,
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


def _day(instant: str | None, zone: str) -> float | None:
    return None if instant is None else _day_of(instant, zone)


# A unit's exchange, its charge and its level are most often of one instant.
@lru_cache(maxsize=16_384)
def _day_of(instant: str, zone: str) -> float:
    """A stored instant as a day of the zone's calendar: the date's ordinal and the fraction of the day."""
    at = datetime.fromisoformat(instant).astimezone(clock.zone_of(zone))
    return at.toordinal() + (at.hour * 3_600 + at.minute * 60 + at.second) / 86_400
