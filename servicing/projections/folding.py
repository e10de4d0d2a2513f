"""Catch up with the log: fold new events into unit states, visits, standstills, reports and findings."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from fleet.queries import StationPlace
from servicing import log
from servicing.models import Finding, Report, Standstill, Visit
from servicing.projections import due, storing
from servicing.queries.folds import fold_event, fold_units, site_rows, visit_rows
from servicing.rules.fold import FoldEvent
from servicing.rules.unit import UnitHistory, fold_unit, key_of

PROJECTION = "servicing"
PAGE = 2_000


def catch_up(fresh: Mapping[int, FoldEvent] | None = None) -> int:
    """Fold the scope's operator's events after the checkpoint; the checkpoint moves in the same transaction.

    ``fresh`` are the events by position that this transaction has just appended: where they are all there is to fold,
    they need not be read again. Returns how many events were folded. The caller holds the operator's lock or is alone.
    """
    start = position = storing.lock_checkpoint(PROJECTION)
    folded = 0
    if fresh and not log.is_any_between(position, min(fresh)):
        project([fresh[at] for at in sorted(fresh)])
        storing.move_checkpoint(PROJECTION, max(fresh))
        return len(fresh)
    more = True
    while more and (rows := log.events_after(position, limit=PAGE)):
        project([fold_event(row) for row in rows])
        position = rows[-1].position
        folded += len(rows)
        more = len(rows) == PAGE
    if position != start:
        storing.move_checkpoint(PROJECTION, position)
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


def project(events: Sequence[FoldEvent]) -> None:
    """Fold these new events, given in position order."""
    dirty = _dirty_subjects(events)
    if dirty.sites:
        project_sites(dirty.sites)
    changed = _project_units(dirty)
    project_visits(dirty.visits)
    due.refresh(changed, dirty.sites)


def project_whole(events: Sequence[FoldEvent]) -> None:
    """Fold all that these new events touch from its whole history: right wherever the stored rows come from."""
    dirty = _dirty_subjects(events)
    refold(unit_ids=dirty.units.keys(), site_ids=dirty.sites, visit_ids=dirty.visits)


def refold(
    *, unit_ids: Collection[UUID] = (), site_ids: Collection[UUID] = (), visit_ids: Collection[UUID] = ()
) -> None:
    """Make the rows of these subjects anew from all their events; doing it again changes nothing."""
    if site_ids:
        project_sites(site_ids)
    histories = fold_units(unit_ids)
    places = storing.places_of(histories)
    storing.store_units(histories, places)
    _store_findings(histories)
    _store_unit_reports(histories, places)
    project_visits(visit_ids)
    due.refresh(histories, site_ids)


def _dirty_subjects(events: Sequence[FoldEvent]) -> _Dirty:
    dirty = _Dirty()
    # A counter-event may have come before what it counters.
    corrected = {row.corrects for row in log.correcting({event.event_id for event in events}, known=set())}
    entangled = [event for event in events if event.corrects is not None or event.event_id in corrected]
    for event in events:
        dirty.add(event)
    for event in _corrections_around(entangled):
        dirty.add(event, whole=True)
    return dirty


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


def _project_units(dirty: _Dirty) -> dict[UUID, UnitHistory]:
    """Fold on from the stored history where every new event comes after it; else fold the whole unit."""
    stored = storing.stored_histories(dirty.units.keys())
    histories: dict[UUID, UnitHistory] = {}
    whole = set(dirty.refold)
    for unit_id, events in dirty.units.items():
        if unit_id in whole:
            continue
        history = _resumed(stored.get(unit_id))
        standing = sorted((e for e in events if not e.is_ahead), key=lambda event: event.key)
        last = key_of(history)
        if last is None or not standing or standing[0].key > last:
            histories[unit_id] = fold_unit(standing, history, [e for e in events if e.is_ahead])
        else:
            whole.add(unit_id)
    histories.update(fold_units(whole))
    places = storing.places_of(histories)
    storing.store_units(histories, places)
    _store_findings({i: h for i, h in histories.items() if h.findings != _stored(stored, i, "findings", [])})
    # A report's row also names the site where its unit hangs.
    reported = {
        i: h
        for i, h in histories.items()
        if h.reports != _stored(stored, i, "reports", {})
        or (h.reports and h.station_id != _stored(stored, i, "station_id", None))
    }
    _store_unit_reports(reported, places)
    return histories


def _resumed(stored: dict[str, Any] | None) -> UnitHistory:
    """A stored history to fold on from; the lists that are compared with the stored ones afterwards are copies."""
    if stored is None:
        return UnitHistory()
    return UnitHistory.from_json(
        {**stored, "findings": [*stored["findings"]], "reports": {**stored["reports"]}}
    )


def _stored(stored: dict[UUID, dict[str, Any]], unit_id: UUID, name: str, without: Any) -> Any:
    return stored[unit_id][name] if unit_id in stored else without


def _store_findings(histories: dict[UUID, UnitHistory]) -> None:
    if histories:
        Finding.objects.filter(subject_id__in=histories.keys()).delete()
        Finding.objects.bulk_create([Finding(**row) for row in storing.finding_rows(histories)])


def _store_unit_reports(histories: dict[UUID, UnitHistory], places: dict[UUID, StationPlace]) -> None:
    if histories:
        Report.objects.filter(unit_id__in=histories.keys()).delete()
        Report.objects.bulk_create([Report(**row) for row in storing.report_rows(histories, places)])


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
