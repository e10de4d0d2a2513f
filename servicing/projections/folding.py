"""Catch up with the log: fold new events into unit states, visits, standstills, reports and findings."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db import connection

from accounts import clock
from servicing import log
from servicing.events.reading import load_payload
from servicing.events.types import EventType
from servicing.models import Finding, Report, Standstill, Visit
from servicing.projections import alerts, due, storing
from servicing.projections.gathering import Known, Outcome, gather
from servicing.projections.pulse import beat
from servicing.projections.storing import Changes
from servicing.queries.folds import fold_event, fold_units, site_rows, visit_rows
from servicing.queries.outlooks import outlook_rows
from servicing.queries.prepared import plan_once
from servicing.queries.reckoning import Placed, segment_rows
from servicing.rules.fold import FoldEvent, visit_row
from servicing.rules.unit import UnitHistory, fold_unit, key_of

PROJECTION = "servicing"
PAGE = 2_000


def catch_up(fresh: Mapping[int, FoldEvent] | None = None) -> int:
    """Fold the scope's operator's events after the checkpoint; the checkpoint moves in the same transaction.

    ``fresh`` are the events by position that this transaction has just appended: where they are all there is to fold,
    they need not be read again. Returns how many events were folded. The caller holds the operator's lock or is alone.
    """
    if fresh:
        events = [fresh[position] for position in sorted(fresh)]
        known = _known(events, min(fresh))
        if not known.is_gap:
            project(events, known, upto=max(fresh))
            beat()
            return len(events)
    folded = 0
    while count := fold_page():
        folded += count
    if folded:
        beat()
    return folded


def lock_for_folding(operator_id: UUID) -> None:
    """Take the locks under which events are appended and folded; they are held until commit."""
    with connection.cursor() as cursor:
        log.lock_operator(cursor, operator_id)
    plan_once()


def fold_page(size: int = PAGE) -> int:
    """Fold the next page after the checkpoint, which moves with it. Returns how many events it had; 0 at the end."""
    rows = log.events_after(storing.read_checkpoint(PROJECTION), limit=size)
    if rows:
        events = [fold_event(row) for row in rows]
        project(events, _known(events, rows[0].position), upto=rows[-1].position)
    return len(rows)


def _known(events: Sequence[FoldEvent], first_position: int) -> Known:
    payloads: list[Any] = [event.payload for event in events]
    return gather(
        PROJECTION,
        first_position=first_position,
        event_ids=[event.event_id for event in events],
        unit_ids={event.subject_id for event in events if event.subject_kind == "unit"},
        station_ids={payload.station_id for payload in payloads if hasattr(payload, "station_id")},
        cartridge_ids={one for payload in payloads if (one := getattr(payload, "cartridge_id", None))},
        visit_ids=_visits_of(events),
    )


def _visits_of(events: Sequence[FoldEvent]) -> set[UUID]:
    visits = {event.visit_id for event in events if event.visit_id is not None}
    return visits | {event.subject_id for event in events if event.subject_kind == "visit"}


@dataclass(slots=True)
class _Dirty:
    """Subjects that must be folded from their whole history."""

    units: set[UUID] = field(default_factory=set)
    sites: set[UUID] = field(default_factory=set)
    visits: set[UUID] = field(default_factory=set)

    def add(self, event: FoldEvent) -> None:
        kinds = {"unit": self.units, "site": self.sites}
        kinds.get(event.subject_kind, self.visits).add(event.subject_id)
        if event.visit_id is not None:
            self.visits.add(event.visit_id)


# What is said of a site and enters a fold; the rest stays a line in the log.
_PAUSES = {EventType.STANDSTILL_BEGAN, EventType.STANDSTILL_ENDED}
_REPORTS = {EventType.REPORT_RECEIVED, EventType.REPORT_CLOSED}


def project(events: Sequence[FoldEvent], known: Known, *, upto: int) -> None:
    """Fold these new events, given in position order, and move the checkpoint to ``upto``.

    Where all is plain, what is stored is folded on. What a correction or a late event touches is folded from its whole
    history afterwards.
    """
    whole = _Dirty()
    entangled = [event for event in events if event.corrects is not None or event.event_id in known.corrected]
    for event in _corrections_around(entangled):
        whole.add(event)
    histories = _fold_on(events, known, whole)
    changes = _unit_changes(histories, known)
    changes.visits = _plain_visits(known, whole)
    changes.checkpoint = (PROJECTION, known.position, upto)
    storing.store(changes)
    _store_oddities(histories, known)
    for event in events:
        if event.subject_kind == "site" and event.type in _PAUSES:
            whole.sites.add(event.subject_id)
    reported = {e.subject_id for e in events if e.subject_kind == "site" and e.type in _REPORTS} - whole.sites
    if reported:
        project_sites(reported)
    if whole.units or whole.sites or whole.visits:
        refold(unit_ids=whole.units, site_ids=whole.sites, visit_ids=whole.visits)
    noted = {event.subject_id for event in events if event.type is EventType.ALERT_ACKNOWLEDGED}
    if noted or entangled:
        alerts.mark(noted | whole.units)


def _fold_on(events: Sequence[FoldEvent], known: Known, whole: _Dirty) -> dict[UUID, UnitHistory]:
    """The units whose new events all come after their stored history, folded on from it; the others join ``whole``."""
    by_unit: dict[UUID, list[FoldEvent]] = {}
    for event in events:
        if event.subject_kind == "unit" and event.subject_id not in whole.units:
            by_unit.setdefault(event.subject_id, []).append(event)
    histories: dict[UUID, UnitHistory] = {}
    for unit_id, own in by_unit.items():
        history = _resumed(known.histories.get(str(unit_id)))
        standing = sorted((e for e in own if not e.is_ahead), key=lambda event: event.key)
        last = key_of(history)
        if last is None or not standing or standing[0].key > last:
            histories[unit_id] = fold_unit(standing, history, [e for e in own if e.is_ahead])
        else:
            whole.units.add(unit_id)
    return histories


def _resumed(stored: dict[str, Any] | None) -> UnitHistory:
    """A stored history to fold on from; the collections that the fold changes in place are copies."""
    if stored is None:
        return UnitHistory()
    copies = {name: value.copy() for name, value in stored.items() if isinstance(value, list | dict)}
    return UnitHistory.from_json({**stored, **copies})


# What of a history its segments are made of, and what its outlook.
_PLAN = ("installed_at", "withdrawn_at", "station_id", "last_exchange_at")
_OUTLOOK = (
    *_PLAN, "cartridge_id", "intervals", "left_at_exchange_ml", "level_at", "level_ml", "marks", "reservoir_cleaned_at",
    "set_dose_ml_per_day", "wick_checked_at", "wick_condition", "wick_failed_s", "wick_good_s", "wick_since", "wick_washed_at",
)  # fmt: skip
_NOTHING: dict[str, Any] = {}


def _unit_changes(histories: Mapping[UUID, UnitHistory], known: Known) -> Changes:
    """The rows of these units that are no longer what is stored."""
    replan: list[Placed] = []
    outlook: list[Placed] = []
    replanned: list[UUID] = []
    gone: list[UUID] = []
    for unit_id, history in histories.items():
        stored = known.histories.get(str(unit_id), _NOTHING)
        if not history.is_installed or not history.station_id:
            gone.append(unit_id)
            continue
        placed = Placed(unit_id, known.sites[UUID(history.station_id)], history)
        if any(getattr(history, name) != stored.get(name) for name in _PLAN):
            replan.append(placed)
            replanned.append(unit_id)
        if any(getattr(history, name) != stored.get(name) for name in _OUTLOOK):
            outlook.append(placed)
    return Changes(
        states=storing.unit_columns(histories, known.sites),
        segments=segment_rows(replan, known.master),
        outlooks=outlook_rows(outlook, known.master),
        replanned=replanned,
        gone=gone,
    )


def _plain_visits(known: Known, whole: _Dirty) -> list[dict[str, Any]]:
    """The rows of visits that nothing corrects; the others join ``whole``."""
    rows = []
    for visit_id, outcome in known.visits.items():
        if visit_id in whole.visits:
            continue
        payload: Any = load_payload(outcome.type, outcome.schema_version, outcome.payload)
        site = known.master.sites.get(payload.site_id)
        if outcome.is_entangled or site is None:
            whole.visits.add(visit_id)
        else:
            rows.append(_visit_columns(visit_id, outcome, payload, site.zone))
    return rows


def _visit_columns(visit_id: UUID, outcome: Outcome, payload: Any, zone: str) -> dict[str, Any]:
    row = visit_row(EventType(outcome.type), payload, outcome.occurred_at)
    return {
        "id": visit_id,
        "site_id": row.site_id,
        "crew_id": row.crew_id,
        "day": clock.local_date(row.occurred_at, zone),
        "occurred_at": row.occurred_at,
        "outcome": row.outcome,
        "reason": row.reason,
        "minutes": row.minutes,
        "units": outcome.units,
    }


def _store_oddities(histories: Mapping[UUID, UnitHistory], known: Known) -> None:
    """Findings and open reports of units, which few events change."""

    def stored(unit_id: UUID) -> dict[str, Any]:
        return known.histories.get(str(unit_id), _NOTHING)

    _store_findings({i: h for i, h in histories.items() if h.findings != stored(i).get("findings", [])})
    # A report's row also names the site where its unit hangs.
    reported = {
        i: h
        for i, h in histories.items()
        if h.reports != stored(i).get("reports", {})
        or (h.reports and h.station_id != stored(i).get("station_id"))
    }
    _store_unit_reports(reported, known.sites)


def refold(
    *, unit_ids: Collection[UUID] = (), site_ids: Collection[UUID] = (), visit_ids: Collection[UUID] = ()
) -> None:
    """Make the rows of these subjects anew from all their events; doing it again changes nothing."""
    if site_ids:
        project_sites(site_ids)
    histories = fold_units(unit_ids)
    if histories:
        sites = storing.places_of(histories)
        changes = due.changes_of(histories)
        changes.states = storing.unit_columns(histories, sites)
        storing.store(changes)
        _store_findings(histories)
        _store_unit_reports(histories, sites)
    project_visits(visit_ids)
    due.refresh({}, site_ids)


def _corrections_around(events: Sequence[FoldEvent]) -> list[FoldEvent]:
    """These events, what they correct, and all that corrects any of it: the standing of each may have changed."""
    found = {event.event_id: event for event in events}
    targets = {event.corrects for event in events if event.corrects is not None} - found.keys()
    while targets:
        rows = log.events_by_id(targets)
        found |= {row.event_id: fold_event(row) for row in rows}
        targets = {row.corrects for row in rows if row.corrects is not None} - found.keys()
    if found:
        found |= {row.event_id: fold_event(row) for row in log.correcting(list(found), known=set(found))}
    return list(found.values())


def _store_findings(histories: Mapping[UUID, UnitHistory]) -> None:
    if histories:
        Finding.objects.filter(subject_id__in=histories.keys()).delete()
        Finding.objects.bulk_create([Finding(**row) for row in storing.finding_rows(histories)])


def _store_unit_reports(histories: Mapping[UUID, UnitHistory], sites: Mapping[UUID, UUID]) -> None:
    if histories:
        Report.objects.filter(unit_id__in=histories.keys()).delete()
        Report.objects.bulk_create([Report(**row) for row in storing.report_rows(histories, sites)])


def project_sites(site_ids: Collection[UUID]) -> None:
    """The standstills and open reports of these sites, from their events."""
    standstills, reports = site_rows(site_ids)
    Standstill.objects.filter(site_id__in=site_ids).delete()
    Standstill.objects.bulk_create(standstills)
    Report.objects.filter(site_id__in=site_ids, unit_id=None).delete()
    Report.objects.bulk_create(reports)


def project_visits(visit_ids: Collection[UUID]) -> None:
    if not visit_ids:
        return
    Visit.objects.filter(id__in=visit_ids).delete()
    Visit.objects.bulk_create(visit_rows(visit_ids))
