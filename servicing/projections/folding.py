"""Catch up with the log: fold new events into unit states, visits, standstills, reports and findings."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from fleet import queries as fleet
from servicing import log
from servicing.log import EventRow
from servicing.models import Checkpoint, Finding, Report, Standstill, UnitState, Visit
from servicing.projections import due, storing
from servicing.queries.folds import fold_event, fold_units, site_rows, visit_rows
from servicing.rules.fold import FoldEvent
from servicing.rules.unit import UnitHistory, fold_unit, key_of

PROJECTION = "servicing"
PAGE = 2_000


def catch_up() -> int:
    """Fold the scope's operator's events after the checkpoint; the checkpoint moves in the same transaction.

    Returns how many events were folded. The caller holds the operator's lock or is alone.
    """
    checkpoint, _ = Checkpoint.objects.select_for_update().get_or_create(
        projection=PROJECTION, defaults={"position": 0}
    )
    start, position, folded = checkpoint.position, checkpoint.position, 0
    while rows := log.events_after(position, limit=PAGE):
        project(rows)
        position = rows[-1].position
        folded += len(rows)
    if position != start:
        Checkpoint.objects.filter(projection=PROJECTION).update(position=position)
    return folded


@dataclass(slots=True)
class _Dirty:
    """The subjects that new events touch; ``refold`` are the units whose whole history must be read again."""

    units: dict[UUID, list[FoldEvent]] = field(default_factory=dict)
    sites: set[UUID] = field(default_factory=set)
    visits: set[UUID] = field(default_factory=set)
    refold: set[UUID] = field(default_factory=set)

    def add(self, event: FoldEvent, *, whole: bool = False) -> None:
        if event.subject_kind == "unit":
            self.units.setdefault(event.subject_id, []).append(event)
            if whole:
                self.refold.add(event.subject_id)
        elif event.subject_kind == "site":
            self.sites.add(event.subject_id)
        else:
            self.visits.add(event.subject_id)
        if event.visit_id is not None:
            self.visits.add(event.visit_id)


def project(rows: Sequence[EventRow]) -> None:
    """Fold these new events, given in position order."""
    dirty = _dirty_subjects(rows)
    if dirty.sites:
        project_sites(dirty.sites)
    changed = _project_units(dirty)
    project_visits(dirty.visits)
    due.refresh(changed, dirty.sites)


def _dirty_subjects(rows: Sequence[EventRow]) -> _Dirty:
    events = [fold_event(row) for row in rows]
    new = {event.event_id for event in events}
    dirty = _Dirty()
    # A counter-event may have come before what it counters.
    corrected = {row.corrects for row in log.correcting(new, known=set())}
    for event in events:
        dirty.add(event, whole=event.corrects is not None or event.event_id in corrected)
    targets = {event.corrects for event in events if event.corrects is not None}
    while targets:
        found = log.events_by_id(targets)
        for row in found:
            dirty.add(fold_event(row), whole=True)
        targets = {row.corrects for row in found if row.corrects is not None}
    return dirty


def _project_units(dirty: _Dirty) -> set[UUID]:
    stored = {
        state.unit_id: UnitHistory.from_json(state.history)
        for state in UnitState.objects.filter(unit_id__in=dirty.units.keys())
    }
    histories: dict[UUID, UnitHistory] = {}
    whole = set(dirty.refold)
    for unit_id, events in dirty.units.items():
        if unit_id in whole:
            continue
        history = stored.get(unit_id)
        standing = sorted((e for e in events if not e.is_ahead), key=lambda event: event.key)
        last = key_of(history) if history else None
        if history is not None and (last is None or not standing or standing[0].key > last):
            histories[unit_id] = fold_unit(standing, history, [e for e in events if e.is_ahead])
        else:
            whole.add(unit_id)
    histories.update(fold_units(whole))
    storing.store_units(histories)
    _store_findings({unit_id: history.findings for unit_id, history in histories.items()})
    _store_unit_reports(histories)
    return set(histories)


def _store_findings(findings: dict[UUID, list[list[str]]]) -> None:
    if not findings:
        return
    Finding.objects.filter(subject_id__in=findings.keys()).delete()
    Finding.objects.bulk_create(
        [
            Finding(
                subject_kind="unit", subject_id=unit_id, code=code, event_id=UUID(event_id), occurred_at=at
            )
            for unit_id, rows in findings.items()
            for code, event_id, at in rows
        ],
        ignore_conflicts=True,
    )


def _store_unit_reports(histories: dict[UUID, UnitHistory]) -> None:
    Report.objects.filter(unit_id__in=histories.keys()).delete()
    open_ones = {unit_id: history for unit_id, history in histories.items() if history.reports}
    if not open_ones:
        return
    places = fleet.stations([UUID(h.station_id) for h in open_ones.values() if h.station_id])
    Report.objects.bulk_create(
        [
            Report(
                event_id=UUID(event_id),
                unit_id=unit_id,
                site_id=places[UUID(history.station_id)].site_id if history.station_id else None,
                kind=kind,
                received_at=at,
            )
            for unit_id, history in open_ones.items()
            for event_id, (kind, at) in history.reports.items()
        ]
    )


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
