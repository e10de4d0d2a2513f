"""The log folded on the way out: what subjects' events say, from the beginning or as known at a position."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from uuid import UUID

from accounts import clock
from accounts import queries as accounts
from servicing import log
from servicing.events.reading import PAYLOADS, load_payload, upcast
from servicing.events.types import EventType
from servicing.log import EventRow
from servicing.models import Report, Standstill, Visit
from servicing.queries.lines import PlainLine, entangled_ids, plain_lines
from servicing.rules.fold import (
    EFFECTIVE,
    FoldEvent,
    StandstillSpan,
    fold_standstills,
    fold_visit,
    open_reports,
    standings,
)
from servicing.rules.unit import Line, UnitHistory, fold_lines


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
        said=upcast(EventType(row.type), row.schema_version, row.payload),
        corrects=row.corrects,
        visit_id=row.visit_id,
    )


def fold_units(unit_ids: Collection[UUID], *, upto: int | None = None) -> dict[UUID, UnitHistory]:
    """Each unit's history from all of its events at or before a position."""
    if not unit_ids:
        return {}
    histories = dict(_folded(unit_ids, _superseded(unit_ids, upto), upto))
    return {unit_id: histories.get(unit_id) or UnitHistory() for unit_id in unit_ids}


def _superseded(unit_ids: Collection[UUID], upto: int | None) -> set[str]:
    """The events of these units that fall to a correction."""
    rows = log.events_by_id(entangled_ids(unit_ids, upto=upto))
    rows += log.correcting([row.event_id for row in rows], known={row.event_id for row in rows}, upto=upto)
    found = standings([fold_event(row) for row in rows])
    return {str(event_id) for event_id, standing in found.items() if standing.word == "superseded"}


def _folded(
    unit_ids: Collection[UUID], superseded: set[str], upto: int | None
) -> Iterator[tuple[UUID, UnitHistory]]:
    """Unit after unit as their events come in, so that memory holds one page of them."""
    for unit_id, rows in groupby(plain_lines(unit_ids, upto=upto), itemgetter(0)):
        ahead: list[tuple[str, str]] = []
        yield UUID(unit_id), fold_lines(_lines(rows, superseded, ahead), None, ahead)


def _lines(rows: Iterable[PlainLine], superseded: set[str], ahead: list[tuple[str, str]]) -> Iterator[Line]:
    """The effective ones among a unit's stored lines, payloads in their newest version; those that wait join ``ahead``."""
    for _, kind, version, at, device_id, sequence, event_id, is_ahead, payload in rows:
        text = at.isoformat("T", "microseconds") + "+00:00"
        if event_id in superseded:
            continue
        if is_ahead:
            ahead.append((event_id, text))
            continue
        if version != _NEWEST[kind]:
            payload = upcast(EventType(kind), version, payload)  # noqa: PLW2901
        yield kind, text, device_id, sequence, event_id, payload


_NEWEST = {kind.value: cls.VERSION for kind, cls in PAYLOADS.items()}


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
            kind=report.payload.kind,  # type: ignore[attr-defined]
            received_at=report.occurred_at,
        )
        for site_id, own in events.items()
        for report in open_reports(own)
    ]
    return standstills, reports


def standstills_upto(position: int, site_ids: Collection[UUID]) -> dict[UUID, list[StandstillSpan]]:
    return {
        site_id: fold_standstills(own)
        for site_id, own in effective_by_subject(site_ids, upto=position).items()
    }


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
