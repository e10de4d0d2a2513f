"""What goes wrong at some sites as of a day: their units' due days, forecasts and faults, weighed for each site."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Q

from accounts import clock
from servicing.models import DueSegment, Outlook, Report, UnitState, Visit
from servicing.rules.due import Band, band_on
from servicing.rules.due import DueSegment as Segment
from servicing.rules.harm import LEAK_MODE, SAFETY_REPORTS, SiteHarm, UnitSigns, out_since, weigh
from servicing.rules.unit import DOWN_MODES


@dataclass(frozen=True, slots=True)
class SiteWork:
    """What there is to do at a site, in numbers of units; ``reports`` are the kinds of the open ones."""

    exchange: int = 0
    wash: int = 0
    change: int = 0
    clean: int = 0
    faults: int = 0
    reports: tuple[str, ...] = ()


def harms_on(days: Mapping[UUID, date], zones: Mapping[UUID, str]) -> dict[UUID, SiteHarm]:
    """How much each of these sites needs somebody on its day; ``zones`` their zones. In a fixed number of queries.

    Reports and the last arrival are those of now: nobody knows those of a day to come.
    """
    reports = _reports_at(days)
    refused = not_admitted_at(days)
    signs = _signs_at(days, zones)
    found = {}
    for site_id, day in days.items():
        kinds = reports.get(site_id, Counter())
        safety = sum(kinds[kind] for kind in SAFETY_REPORTS)
        found[site_id] = weigh(
            signs.get(site_id, ()),
            day,
            safety_reports=safety,
            other_reports=kinds.total() - safety,
            not_admitted=site_id in refused,
        )
    return found


def not_admitted_at(site_ids: Collection[UUID]) -> set[UUID]:
    """Which of these sites did not let the last crew in that came."""
    rows = Visit.objects.filter(site_id__in=site_ids).exclude(outcome="called_off")
    last = rows.order_by("site_id", "-day", "-occurred_at", "id").distinct("site_id")
    return {
        site_id for site_id, outcome in last.values_list("site_id", "outcome") if outcome == "not_admitted"
    }


def _signs_at(days: Mapping[UUID, date], zones: Mapping[UUID, str]) -> dict[UUID, list[UnitSigns]]:
    segments = _segments_at(days)
    outlooks = {row.pop("unit_id"): row for row in _outlooks(days)}
    found: dict[UUID, list[UnitSigns]] = defaultdict(list)
    states = UnitState.objects.filter(site_id__in=days.keys()).order_by()
    for unit_id, site_id, status, faults in states.values_list(
        "unit_id", "site_id", "status", "history__open_faults"
    ):
        open_faults = faults if status in {"down", "degraded"} else {}
        down = [at for mode, at in open_faults.items() if mode in DOWN_MODES]
        found[site_id].append(
            UnitSigns(
                segment=segments.get(unit_id),
                down_since=clock.local_date(datetime.fromisoformat(min(down)), zones[site_id])
                if down
                else None,
                leaks=LEAK_MODE in open_faults,
                **outlooks.get(unit_id, {}),
            )
        )
    return found


def _outlooks(site_ids: Collection[UUID]) -> Any:
    rows = Outlook.objects.filter(site_id__in=site_ids).order_by()
    return rows.values("unit_id", "dry_on", "dry_soon_from", "wick_watch_from", "drift_since_on")


def _segments_at(days: Mapping[UUID, date]) -> dict[UUID, Segment]:
    """The segment that holds for each unit on its site's day."""
    if not days:
        return {}
    rows = DueSegment.objects.filter(
        Q(ends_before=None) | Q(ends_before__gt=min(days.values())),
        site_id__in=days.keys(),
        starts_on__lte=max(days.values()),
    ).order_by()
    return {
        row.unit_id: Segment(
            row.starts_on,
            row.ends_before,
            row.kind,
            row.due_on,
            row.opens_on,
            row.past_grace_from,
            row.long_past_from,
            row.is_reopen,
        )
        for row in rows
        if row.starts_on <= days[row.site_id]
        and (row.ends_before is None or days[row.site_id] < row.ends_before)
    }


def _reports_at(site_ids: Collection[UUID]) -> dict[UUID, Counter[str]]:
    found: dict[UUID, Counter[str]] = defaultdict(Counter)
    for site_id, kind in Report.objects.filter(site_id__in=site_ids).values_list("site_id", "kind"):
        found[site_id][kind] += 1
    return found


def works_on(days: Mapping[UUID, date], zones: Mapping[UUID, str]) -> dict[UUID, SiteWork]:
    """What there is to do at each of these sites on its day; ``zones`` their zones."""
    signs, reports = _signs_at(days, zones), _reports_at(days)
    advised: dict[UUID, Counter[str]] = defaultdict(Counter)
    rows = Outlook.objects.filter(site_id__in=days.keys()).order_by()
    for site_id, advice, clean_on in rows.values_list("site_id", "wick_advice", "clean_due_on"):
        advised[site_id][advice] += 1
        advised[site_id]["clean"] += clean_on is not None and clean_on <= days[site_id]
    faults = Counter(
        UnitState.objects.filter(site_id__in=days.keys(), status__in=("down", "degraded"))
        .order_by()
        .values_list("site_id", flat=True)
    )
    return {
        site_id: SiteWork(
            exchange=sum(_wants_a_cartridge(one, day) for one in signs.get(site_id, ())),
            wash=advised[site_id]["wash"],
            change=advised[site_id]["change"],
            clean=advised[site_id]["clean"],
            faults=faults[site_id],
            reports=tuple(sorted(reports.get(site_id, Counter()).elements())),
        )
        for site_id, day in days.items()
    }


def _wants_a_cartridge(signs: UnitSigns, day: date) -> bool:
    band = band_on(signs.segment, day)
    if band in {Band.STANDSTILL, Band.NONE}:
        return False
    is_dry_soon = signs.dry_soon_from is not None and signs.dry_soon_from <= day
    return band is not Band.AHEAD or is_dry_soon or out_since(signs, day) is not None
