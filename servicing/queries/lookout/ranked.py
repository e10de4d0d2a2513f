"""The sites that need somebody, the worst first: weighed, ranked and cut to a page by one statement.

The weights are those of ``servicing.rules.harm``, which the tests hold it against. Only what a page shows leaves the
database: some rows, the totals of all, and a position and a band for the map.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from servicing.models import Alert
from servicing.rules.due import Band
from servicing.rules.harm import LEAK_MODE, SAFETY_REPORTS, SiteHarm
from servicing.rules.unit import DOWN_MODES


@dataclass(frozen=True, slots=True)
class Asked:
    """Which sites are asked for: of a crew (its id, or "none"), an area, a band, about something; "" asks for all.

    ``first`` is the place of the first row wanted, from 1.
    """

    crew: str = ""
    area: str = ""
    band: str = ""
    about: str = ""
    first: int = 1

    @property
    def is_filtered(self) -> bool:
        return bool(self.crew or self.area or self.band or self.about)


@dataclass(frozen=True, slots=True)
class RankedSite:
    """One row. ``place`` counts from 1 among the sites asked for; ``not_admitted_on`` the day of that visit."""

    place: int
    site_id: UUID
    code: str
    name: str
    area: str
    crew_id: UUID | None
    today: date
    harm: SiteHarm
    not_admitted_on: date | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A site on the map; ``place`` among the sites asked for, None for one that is not."""

    latitude: float
    longitude: float
    band: Band
    place: int | None
    code: str
    name: str
    area: str


@dataclass(frozen=True, slots=True)
class Sighting:
    """What the lookout sees: some rows, and totals over all sites, whatever was asked for.

    ``dry_units`` drip no more or run dry soon; ``late_sites`` have units past grace; ``safety`` counts reports of leaks
    and chemicals and leaking units; ``not_admitted`` sites wait for another visit. ``chosen`` sites are asked for.
    """

    rows: list[RankedSite]
    worst: RankedSite | None
    marks: list[Mark]
    sites: int
    needing: int
    chosen: int
    dry_units: int
    late_sites: int
    safety: int
    not_admitted: int
    due_sites: int
    areas: list[str] = field(default_factory=list)


def local_days() -> dict[str, date]:
    """Today's date in each zone in which the operator has sites."""
    return {zone: clock.today(zone) for zone in accounts.site_zones()}


_FAULTS_SQL = """
SELECT u.unit_id, u.site_id, site.zone, u.history -> 'open_faults'
FROM servicing_unitstate u JOIN accounts_site site ON site.operator_id = u.operator_id AND site.id = u.site_id
WHERE u.operator_id = %s AND u.status IN ('down', 'degraded')
"""


def _faults() -> list[tuple[str, str, date | None, bool]]:
    """Unit, site, the local day since which it is down, and whether it leaks, of every installed unit with a fault.

    Apart from the ranking: an instant's day in a zone is worked out here and nowhere else.
    """
    with connection.cursor() as cursor:
        cursor.execute(_FAULTS_SQL, [current_operator_id()])
        rows = cursor.fetchall()
    found = []
    for unit_id, site_id, zone, stored in rows:
        faults: dict[str, str] = orjson.loads(stored or "{}")  # a raw cursor of Django's leaves jsonb as text
        down = [at for mode, at in faults.items() if mode in DOWN_MODES]
        since = clock.local_date(datetime.fromisoformat(min(down)), zone) if down else None
        if since or LEAK_MODE in faults:
            found.append((unit_id, site_id, since, LEAK_MODE in faults))
    return found


# A unit by its band; where nothing is due (no agreement, a standstill) only a leak counts.
_UNITS_SQL = """
WITH today AS (
    SELECT zone, day FROM unnest(%(zones)s::text[], %(days)s::date[]) AS t (zone, day)
), site AS MATERIALIZED (
    SELECT s.id, s.code, s.name, s.area, s.crew_id, s.latitude, s.longitude, today.day
    FROM accounts_site s JOIN today USING (zone) WHERE s.operator_id = %(operator)s
), fault AS (
    SELECT * FROM unnest(%(fault_units)s::uuid[], %(fault_sites)s::uuid[], %(down_since)s::date[], %(leaks)s::bool[])
        AS f (unit_id, site_id, down_since, leaks)
), unit AS (
    SELECT o.site_id, site.day,
        CASE WHEN s.opens_on IS NULL THEN CASE WHEN s.starts_on IS NULL THEN 'none' ELSE 'standstill' END
            WHEN s.long_past_from <= site.day THEN 'long_past' WHEN s.past_grace_from <= site.day THEN 'past_grace'
            WHEN s.opens_on <= site.day THEN 'in_grace' ELSE 'ahead' END AS band,
        s.opens_on IS NOT NULL AS is_open, s.due_on, o.dry_on, o.dry_soon_from <= site.day AS is_soon,
        o.wick_watch_from <= site.day AS is_watched, o.drift_since_on <= site.day AS is_off,
        least(CASE WHEN o.dry_on <= site.day THEN o.dry_on END,
            CASE WHEN f.down_since <= site.day THEN f.down_since END) AS out_since
    FROM servicing_outlook o
    JOIN site ON site.id = o.site_id
    LEFT JOIN servicing_duesegment s ON s.operator_id = o.operator_id AND s.unit_id = o.unit_id
        AND s.starts_on <= site.day AND (s.ends_before IS NULL OR site.day < s.ends_before)
    LEFT JOIN fault f ON f.unit_id = o.unit_id
    WHERE o.operator_id = %(operator)s
), harm AS (
    SELECT site_id, count(*) AS units,
        count(out_since) FILTER (WHERE is_open) AS "out",
        coalesce(sum(day - out_since + 1) FILTER (WHERE is_open), 0) AS out_unit_days,
        min(out_since) FILTER (WHERE is_open) AS out_since,
        count(*) FILTER (WHERE is_open AND is_soon AND out_since IS NULL) AS soon,
        min(dry_on) FILTER (WHERE is_open AND is_soon AND out_since IS NULL) AS soon_on,
        count(*) FILTER (WHERE is_open AND is_off AND out_since IS NULL) AS off,
        count(*) FILTER (WHERE band = 'long_past') AS long_past,
        count(*) FILTER (WHERE band = 'past_grace') AS past_grace,
        count(*) FILTER (WHERE band = 'in_grace') AS in_grace,
        count(*) FILTER (WHERE is_open AND is_watched) AS watched,
        count(*) FILTER (WHERE band = 'ahead') AS ahead,
        count(*) FILTER (WHERE band = 'standstill') AS standing,
        min(due_on) FILTER (WHERE is_open) AS due_on
    FROM unit GROUP BY site_id
), leak AS (
    SELECT site_id, count(*) AS leaks FROM fault WHERE leaks GROUP BY site_id
), report AS (
    SELECT site_id, count(*) FILTER (WHERE kind = ANY(%(safety)s)) AS safety_reports,
        count(*) FILTER (WHERE kind <> ALL(%(safety)s)) AS other_reports
    FROM servicing_report WHERE operator_id = %(operator)s AND site_id IS NOT NULL GROUP BY site_id
), refused AS (
    SELECT DISTINCT ON (v.site_id) v.site_id, v.day FROM servicing_visit v
    WHERE v.operator_id = %(operator)s AND v.outcome = 'not_admitted' AND NOT EXISTS (
        SELECT FROM servicing_visit later
        WHERE later.operator_id = v.operator_id AND later.site_id = v.site_id AND later.day >= v.day
          AND later.outcome NOT IN ('called_off', 'not_admitted')
          AND ((later.day, later.occurred_at) > (v.day, v.occurred_at)
              OR (later.day, later.occurred_at) = (v.day, v.occurred_at) AND later.id < v.id)
    ) ORDER BY v.site_id, v.day DESC
)
"""

_COUNTS = ("units", "out", "out_unit_days", "soon", "off", "long_past", "past_grace", "in_grace", "watched")
_SEEN_SQL = (
    _UNITS_SQL
    + f"""
, whole AS MATERIALIZED (
    SELECT site.*, out_since, soon_on, due_on, refused.day AS not_admitted_on, refused.day IS NOT NULL AS not_admitted,
        {", ".join(f'coalesce("{name}", 0) AS "{name}"' for name in _COUNTS)},
        coalesce(leaks, 0) AS leaks, coalesce(safety_reports, 0) AS safety_reports,
        coalesce(other_reports, 0) AS other_reports,
        CASE WHEN long_past > 0 THEN 'long_past' WHEN past_grace > 0 THEN 'past_grace' WHEN in_grace > 0 THEN 'in_grace'
            WHEN ahead > 0 THEN 'ahead' WHEN standing > 0 THEN 'standstill' ELSE 'none' END AS band
    FROM site
    LEFT JOIN harm ON harm.site_id = site.id
    LEFT JOIN leak ON leak.site_id = site.id
    LEFT JOIN report ON report.site_id = site.id
    LEFT JOIN refused ON refused.site_id = site.id
), weighed AS (
    SELECT *, safety_reports + leaks > 0 OR other_reports > 0 OR "out" > 0 OR soon > 0 OR off > 0 OR long_past > 0
        OR past_grace > 0 OR in_grace > 0 OR not_admitted AS is_needing
    FROM whole
), ranked AS MATERIALIZED (
    SELECT *, row_number() OVER (ORDER BY safety_reports + leaks DESC, out_unit_days DESC, soon DESC, off DESC,
        long_past DESC, past_grace DESC, other_reports DESC, not_admitted DESC, in_grace DESC, watched DESC, code) AS rank
    FROM weighed WHERE is_needing OR watched > 0
), chosen AS MATERIALIZED (
    SELECT *, row_number() OVER (ORDER BY rank) AS place FROM ranked
    WHERE (is_needing OR %(about)s = 'wick')
      AND (%(crew)s = '' OR coalesce(crew_id::text, 'none') = %(crew)s)
      AND (%(area)s = '' OR area = %(area)s)
      AND CASE %(band)s WHEN '' THEN true WHEN 'in_grace' THEN in_grace > 0 WHEN 'past_grace' THEN past_grace > 0
          WHEN 'long_past' THEN long_past > 0 ELSE false END
      AND CASE %(about)s WHEN '' THEN true WHEN 'safety' THEN safety_reports + leaks > 0 WHEN 'dry' THEN "out" + soon > 0
          WHEN 'late' THEN past_grace + long_past > 0 WHEN 'due' THEN in_grace > 0 WHEN 'off' THEN off > 0
          WHEN 'wick' THEN watched > 0 WHEN 'not_admitted' THEN not_admitted ELSE false END
)
SELECT
    (SELECT json_build_object(
        'sites', count(*), 'needing', count(*) FILTER (WHERE is_needing), 'dry_units', coalesce(sum("out" + soon), 0),
        'late_sites', count(*) FILTER (WHERE past_grace + long_past > 0),
        'safety', coalesce(sum(safety_reports + leaks), 0), 'not_admitted', count(*) FILTER (WHERE not_admitted),
        'due_sites', count(*) FILTER (WHERE in_grace > 0), 'chosen', (SELECT count(*) FROM chosen),
        'areas', array_agg(DISTINCT area ORDER BY area) FILTER (WHERE area <> ''))::text FROM weighed),
    (SELECT json_agg(one ORDER BY place)::text FROM (
        SELECT * FROM chosen ORDER BY place LIMIT %(most)s OFFSET %(before)s) one),
    (SELECT row_to_json(one)::text FROM (SELECT *, 0 AS place FROM ranked WHERE is_needing ORDER BY rank LIMIT 1) one),
    (SELECT json_agg(json_build_array(w.latitude, w.longitude, w.band, c.place, w.code, w.name, w.area)
        ORDER BY c.place DESC NULLS FIRST, w.code)::text
        FROM whole w LEFT JOIN chosen c ON c.id = w.id WHERE w.latitude IS NOT NULL AND w.longitude IS NOT NULL)
"""
)


def ranked(asked: Asked, most: int, days: Mapping[str, date] | None = None) -> Sighting:
    """The sites asked for, at most so many rows from ``asked.first`` on, and what is so of all of the operator's."""
    today = local_days() if days is None else days
    faults = _faults()
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "zones": list(today),
        "days": list(today.values()),
        "fault_units": [one[0] for one in faults],
        "fault_sites": [one[1] for one in faults],
        "down_since": [one[2] for one in faults],
        "leaks": [one[3] for one in faults],
        "safety": sorted(SAFETY_REPORTS),
        "crew": asked.crew,
        "area": asked.area,
        "band": asked.band,
        "about": asked.about,
        "most": most,
        "before": max(asked.first, 1) - 1,
    }
    with connection.cursor() as cursor:
        # Of an operator that has just been brought in the planner knows nothing and takes its tables for a row or two:
        # loops inside loops then take minutes, where hashing takes what it always takes.
        cursor.execute("SELECT set_config('enable_nestloop', 'off', true)")
        cursor.execute(_SEEN_SQL, values)
        totals, rows, worst, marks = (orjson.loads(one or "null") for one in cursor.fetchone())
        cursor.execute("SELECT set_config('enable_nestloop', 'on', true)")
    totals["areas"] = totals["areas"] or []
    return Sighting(
        rows=[_row(one) for one in rows or []],
        worst=_row(worst) if worst else None,
        marks=[Mark(one[0], one[1], Band(one[2]), *one[3:]) for one in marks or []],
        **totals,
    )


_HARM_DAYS = ("out_since", "soon_on", "due_on")
_HARM_COUNTS = (*_COUNTS, "leaks", "safety_reports", "other_reports")


def _row(one: dict[str, Any]) -> RankedSite:
    signs: dict[str, Any] = {name: one[name] for name in _HARM_COUNTS}
    signs |= {name: _day(one[name]) for name in _HARM_DAYS}
    harm = SiteHarm(**signs, band=Band(one["band"]), not_admitted=one["not_admitted"])
    return RankedSite(
        place=one["place"],
        site_id=UUID(one["id"]),
        code=one["code"],
        name=one["name"],
        area=one["area"],
        crew_id=UUID(one["crew_id"]) if one["crew_id"] else None,
        today=date.fromisoformat(one["day"]),
        harm=harm,
        not_admitted_on=_day(one["not_admitted_on"]),
    )


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def unnoted_alerts(site_ids: Collection[UUID]) -> dict[UUID, list[UUID]]:
    """The open alerts of these sites that nobody has taken note of, by site."""
    found: dict[UUID, list[UUID]] = {}
    rows = Alert.objects.filter(closed_at=None, acknowledged_at=None, site_id__in=site_ids)
    for site_id, alert_id in rows.order_by("id").values_list("site_id", "id"):
        found.setdefault(site_id, []).append(alert_id)
    return found
