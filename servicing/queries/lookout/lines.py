"""The lookout: every site as of its local date, the worst first, in a fixed number of queries whatever their number."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import Count, Q

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from servicing.models import Alert, Report, Visit
from servicing.rules.due import DueSegment
from servicing.rules.harm import LEAK_MODE, SAFETY_REPORTS, SiteHarm, UnitSigns, weigh, worst_first
from servicing.rules.unit import DOWN_MODES


@dataclass(frozen=True, slots=True)
class SiteLine:
    """One site on the lookout. ``last_visit`` is the latest arrival, called-off visits left out."""

    site_id: UUID
    code: str
    name: str
    area: str
    zone: str
    crew_id: UUID | None
    crew: str
    today: date
    harm: SiteHarm
    last_visit: Visit | None


@dataclass(frozen=True, slots=True)
class OpenAlerts:
    """Open alerts of one kind, and how many of them nobody has taken note of."""

    kind: str
    count: int
    unnoted: int


_UNITS_SQL = """
WITH today AS (
    SELECT zone, day FROM unnest(%(zones)s::text[], %(days)s::date[]) AS t (zone, day)
)
SELECT u.site_id, site.zone, CASE WHEN u.status IN ('down', 'degraded') THEN u.history -> 'open_faults' END,
       o.dry_on, o.dry_soon_from, o.wick_watch_from, o.drift_since_on,
       s.starts_on, s.ends_before, s.kind, s.due_on, s.opens_on, s.past_grace_from, s.long_past_from, s.is_reopen
FROM servicing_unitstate u
JOIN accounts_site site ON site.operator_id = u.operator_id AND site.id = u.site_id
JOIN today USING (zone)
LEFT JOIN servicing_outlook o ON o.operator_id = u.operator_id AND o.unit_id = u.unit_id
LEFT JOIN servicing_duesegment s ON s.operator_id = u.operator_id AND s.unit_id = u.unit_id
    AND s.starts_on <= today.day AND (s.ends_before IS NULL OR today.day < s.ends_before)
WHERE u.operator_id = %(operator)s AND u.site_id IS NOT NULL
"""


def site_lines() -> list[SiteLine]:
    """Every site with what goes wrong there today, the worst first and equals by code."""
    sites = list(accounts.sites())
    days = {zone: clock.today(zone) for zone in {site.zone for site in sites}}
    units = _signs_by_site(days)
    crews = {crew.id: crew.name for crew in accounts.crews()}
    reports = _reports_by_site()
    visits = last_visits()
    lines = []
    for site in sites:
        visit, kinds = visits.get(site.id), reports.get(site.id, Counter())
        safety = sum(kinds[kind] for kind in SAFETY_REPORTS)
        lines.append(
            SiteLine(
                site_id=site.id,
                code=site.code,
                name=site.name,
                area=site.area,
                zone=site.zone,
                crew_id=site.crew_id,
                crew=crews.get(site.crew_id, "") if site.crew_id else "",
                today=days[site.zone],
                harm=weigh(
                    units.get(site.id, ()),
                    days[site.zone],
                    safety_reports=safety,
                    other_reports=kinds.total() - safety,
                    not_admitted=visit is not None and visit.outcome == "not_admitted",
                ),
                last_visit=visit,
            )
        )
    return sorted(lines, key=lambda line: (worst_first(line.harm), line.code))


def last_visits() -> dict[UUID, Visit]:
    """Each site's latest arrival, whatever came of it; called-off visits are none."""
    rows = Visit.objects.exclude(outcome="called_off").order_by("site_id", "-day", "-occurred_at", "id")
    return {visit.site_id: visit for visit in rows.distinct("site_id")}


def alert_counts() -> list[OpenAlerts]:
    """How many alerts are open, by kind; a kind without any has no row."""
    rows = (
        Alert.objects.filter(closed_at=None)
        .order_by()
        .values("kind")
        .annotate(count=Count("id"), unnoted=Count("id", filter=Q(acknowledged_at=None)))
    )
    return sorted((OpenAlerts(**row) for row in rows), key=lambda one: one.kind)


def _signs_by_site(days: dict[str, date]) -> dict[UUID, list[UnitSigns]]:
    with connection.cursor() as cursor:
        cursor.execute(
            _UNITS_SQL,
            {"operator": current_operator_id(), "zones": list(days), "days": list(days.values())},
        )
        rows = cursor.fetchall()
    found: dict[UUID, list[UnitSigns]] = defaultdict(list)
    for site_id, zone, faults, dry_on, dry_soon_from, wick_watch_from, drift_since_on, *segment in rows:
        found[site_id].append(
            UnitSigns(
                segment=DueSegment(*segment) if segment[0] is not None else None,
                dry_on=dry_on,
                dry_soon_from=dry_soon_from,
                wick_watch_from=wick_watch_from,
                drift_since_on=drift_since_on,
                **_fault_signs(faults, zone),
            )
        )
    return found


def _fault_signs(stored: Any, zone: str) -> dict[str, Any]:
    if not stored:
        return {}
    faults: dict[str, str] = json.loads(stored)  # a raw cursor of Django's leaves jsonb as text
    down = [at for mode, at in faults.items() if mode in DOWN_MODES]
    return {
        "down_since": clock.local_date(datetime.fromisoformat(min(down)), zone) if down else None,
        "leaks": LEAK_MODE in faults,
    }


def _reports_by_site() -> dict[UUID, Counter[str]]:
    found: dict[UUID, Counter[str]] = defaultdict(Counter)
    for site_id, kind in Report.objects.exclude(site_id=None).values_list("site_id", "kind"):
        found[site_id][kind] += 1
    return found
