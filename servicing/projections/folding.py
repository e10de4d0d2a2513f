"""Catch up with the log: fold new events into unit states, visits, standstills, reports and findings."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from accounts import clock
from accounts import queries as accounts
from fleet import queries as fleet
from servicing import log
from servicing.events.reading import load_payload
from servicing.events.types import EventType
from servicing.log import EventRow
from servicing.models import Checkpoint, Finding, Report, Standstill, UnitState, Visit
from servicing.projections import due, storing
from servicing.rules.fold import (
    CLOCK_AHEAD,
    EFFECTIVE,
    FoldEvent,
    StandstillSpan,
    fold_standstills,
    fold_visit,
    open_reports,
    standings,
)
from servicing.rules.unit import UnitHistory, fold_unit, key_of

PROJECTION = "servicing"
PAGE = 2_000


def fold_event(row: EventRow) -> FoldEvent:
    return FoldEvent(
        event_id=row.event_id,
        device_id=row.device_id,
        device_sequence=row.device_sequence,
        type=EventType(row.type),
        subject_kind=row.subject_kind,
        subject_id=row.subject_id,
        occurred_at=row.occurred_at,
        received_at=row.received_at,
        payload=load_payload(row.type, row.schema_version, row.payload),
        corrects=row.corrects,
        visit_id=row.visit_id,
    )


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


def fold_units(unit_ids: Collection[UUID], *, upto: int | None = None) -> dict[UUID, UnitHistory]:
    """Each unit's history from all of its events at or before a position."""
    if not unit_ids:
        return {}
    events = [fold_event(row) for row in log.events_of(unit_ids, upto=upto)]
    standing = standings(events)
    by_unit: dict[UUID, list[FoldEvent]] = {unit_id: [] for unit_id in unit_ids}
    ahead: dict[UUID, list[FoldEvent]] = {unit_id: [] for unit_id in unit_ids}
    for event in sorted(events, key=lambda one: one.key):
        if event.subject_id not in by_unit:
            continue  # it only corrects one of theirs
        if standing[event.event_id] is EFFECTIVE:
            by_unit[event.subject_id].append(event)
        elif standing[event.event_id] is CLOCK_AHEAD:
            ahead[event.subject_id].append(event)
    return {unit_id: fold_unit(by_unit[unit_id], None, ahead[unit_id]) for unit_id in unit_ids}


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


def effective_by_subject(
    subject_ids: Collection[UUID], *, upto: int | None = None
) -> dict[UUID, list[FoldEvent]]:
    """The standing events of each subject, in canonical order."""
    events = [fold_event(row) for row in log.events_of(subject_ids, upto=upto)]
    standing = standings(events)
    found: dict[UUID, list[FoldEvent]] = {subject_id: [] for subject_id in subject_ids}
    for event in sorted(events, key=lambda one: one.key):
        if event.subject_id in found and standing[event.event_id] is EFFECTIVE:
            found[event.subject_id].append(event)
    return found


def project_sites(site_ids: Collection[UUID]) -> None:
    """The standstills and open reports of these sites, from their events."""
    standstills, reports = site_rows(site_ids)
    Standstill.objects.filter(site_id__in=site_ids).delete()
    Standstill.objects.bulk_create(standstills)
    Report.objects.filter(site_id__in=site_ids, unit_id=None).delete()
    Report.objects.bulk_create(reports)


def site_rows(
    site_ids: Collection[UUID], *, upto: int | None = None
) -> tuple[list[Standstill], list[Report]]:
    events = effective_by_subject(site_ids, upto=upto)
    standstills = [
        Standstill(
            event_id=span.event_id,
            site_id=site_id,
            starts_on=span.starts_on,
            ends_on=span.ends_on,
            billing=span.billing,
        )
        for site_id, own in events.items()
        for span in fold_standstills(own)
    ]
    reports = [
        Report(
            event_id=report.event_id,
            site_id=site_id,
            kind=report.payload.kind,
            received_at=report.occurred_at,
        )  # type: ignore[attr-defined]
        for site_id, own in events.items()
        for report in open_reports(own)
    ]
    return standstills, reports


def standstills_upto(position: int, site_ids: Collection[UUID]) -> dict[UUID, list[StandstillSpan]]:
    return {
        site_id: fold_standstills(own)
        for site_id, own in effective_by_subject(site_ids, upto=position).items()
    }


def project_visits(visit_ids: Collection[UUID]) -> None:
    if not visit_ids:
        return
    Visit.objects.filter(id__in=visit_ids).delete()
    Visit.objects.bulk_create(visit_rows(visit_ids))


def visit_rows(visit_ids: Collection[UUID]) -> list[Visit]:
    """What became of these visits; one whose outcome has not arrived has no row yet."""
    own = effective_by_subject(visit_ids)
    units = _units_touched(visit_ids)
    outcomes = {visit_id: fold_visit(events) for visit_id, events in own.items()}
    sites = accounts.sites_in({row.site_id for row in outcomes.values() if row})
    return [
        Visit(
            id=visit_id,
            site_id=row.site_id,
            crew_id=row.crew_id,
            day=clock.local_date(row.occurred_at, sites[row.site_id].zone),
            occurred_at=row.occurred_at,
            outcome=row.outcome,
            reason=row.reason,
            minutes=row.minutes,
            units=len(units.get(visit_id, ())),
        )
        for visit_id, row in sorted(outcomes.items())
        if row is not None
    ]


def _units_touched(visit_ids: Collection[UUID]) -> dict[UUID, set[UUID]]:
    rows = log.events_of_visits(visit_ids)
    rows += log.correcting([row.event_id for row in rows], known={row.event_id for row in rows})
    events = [fold_event(row) for row in rows]
    standing = standings(events)
    touched: dict[UUID, set[UUID]] = {}
    for event in events:
        if (
            event.subject_kind == "unit"
            and event.visit_id is not None
            and event.type is not EventType.EVENT_COUNTERED
            and standing[event.event_id] is EFFECTIVE
        ):
            touched.setdefault(event.visit_id, set()).add(event.subject_id)
    return touched
