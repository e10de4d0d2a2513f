"""Looking back along two times: what was so as of an instant, and what was known of it at a position of the log.

As of an instant: of the events that count, those that had occurred by then. As known at a position: only the events at
or before it, and which of them count is decided among them alone. The two go together: what was known then of what was
so then. Agreements, service rules and doses are read as they are recorded today, each with the days it holds for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from accounts import clock
from accounts import queries as accounts
from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing import log
from servicing.events.types import EventType
from servicing.models import Event, Outlook, UnitState
from servicing.queries.events import KnownEvent, known_events
from servicing.queries.fleet_state import UnitView
from servicing.queries.folds import fold_event
from servicing.queries.outlooks import rows_of
from servicing.queries.reckoning import SEGMENT_FIELDS, Placed
from servicing.rules import due
from servicing.rules.due import band_on, segment_on
from servicing.rules.fold import CLOCK_AHEAD, EFFECTIVE, FoldEvent, fold_standstills, standings
from servicing.rules.unit import UnitHistory, fold_unit

# Before it there is nothing to look back on; from it on the end of a day is an instant in every zone.
EARLIEST_YEAR = 1_900
_PLACING = (EventType.UNIT_INSTALLED, EventType.UNIT_MOVED, EventType.UNIT_OPENED)
_PAUSING = {EventType.STANDSTILL_BEGAN, EventType.STANDSTILL_ENDED}


@dataclass(frozen=True, slots=True)
class PastState:
    """A unit as of an instant (None: all that is recorded) as known at a position; due and band on ``day`` in ``zone``."""

    view: UnitView
    as_of: datetime | None
    known_at: int
    day: date
    zone: str


@dataclass(frozen=True, slots=True)
class Change:
    """A field of a unit's state whose value differs, as plain JSON values."""

    field: str
    before: Any
    after: Any


@dataclass(frozen=True, slots=True)
class Difference:
    """What became known of a unit after one position up to another: the fields that differ, and the events behind it."""

    before: PastState
    after: PastState
    changes: list[Change]
    events: list[KnownEvent]


def position_known_on(instant: datetime) -> int:
    """The last position whose event had been received by an instant; 0 before the first.

    It is looked for from the log's end backwards, so the farther back the instant, the longer it takes.
    """
    rows = Event.objects.filter(received_at__lte=instant).order_by("-position")
    return rows.values_list("position", flat=True).first() or 0


def end_of_day(day: date, zone: str) -> datetime:
    """The last microsecond of a calendar day in an IANA zone, in UTC. Raises OverflowError for the last day of time."""
    midnight = datetime.combine(day + timedelta(days=1), time.min, ZoneInfo(zone))
    return midnight.astimezone(UTC) - timedelta(microseconds=1)


def zone_of_unit(unit_id: UUID) -> str:
    """The zone of the site where a unit hangs now, else the operator's: for the ends of days asked about."""
    state = UnitState.objects.filter(unit_id=unit_id).select_related("site").first()
    return state.site.zone if state is not None and state.site is not None else accounts.get_operator().zone


def unit_state(unit_id: UUID, *, as_of: datetime | None = None, known_at: int | None = None) -> PastState:
    """One unit as of an instant, as known at a position; NotFound for one that is absent or another operator's.

    Without ``as_of`` everything recorded counts, and it is due as of today; without ``known_at`` all that is known.
    """
    fleet.get_unit(unit_id)
    return _states([unit_id], as_of, known_position(known_at))[unit_id]


def site_states(
    site_id: UUID, *, as_of: datetime | None = None, known_at: int | None = None
) -> list[PastState]:
    """The units that hung at a site, as of an instant and as known at a position, by restroom and station.

    Units that have been moved or withdrawn since are among them. NotFound for a site that is absent or another's.
    """
    accounts.get_site(site_id)
    position = known_position(known_at)
    stations = {place.station_id for place in fleet.stations_of_site(site_id)}
    placed = [fold_event(row) for row in log.events_of_types(_PLACING, upto=position)]
    unit_ids = {event.subject_id for event in placed if event.payload.station_id in stations}  # type: ignore[attr-defined]
    states = [one for one in _states(unit_ids, as_of, position).values() if one.view.site_id == site_id]
    return sorted(states, key=lambda one: (one.view.restroom, one.view.station, one.view.code))


def difference(
    unit_id: UUID, known_before: int, known_after: int | None = None, *, as_of: datetime | None = None
) -> Difference:
    """What of a unit differs between two positions of what is known, as of the same instant, and which events did it.

    The events are those after the one position up to the other (None: the last): the unit's own, those that correct
    one of them, and standstills of the sites where it hangs before or after. Of events after ``as_of`` only corrections
    are among them. NotFound for a unit that is absent or another operator's.
    """
    fleet.get_unit(unit_id)
    later = known_position(known_after)
    earlier = min(known_before, later)
    before = _states([unit_id], as_of, earlier)[unit_id]
    after = _states([unit_id], as_of, later)[unit_id]
    old, new = _fields_of(before.view), _fields_of(after.view)
    changes = [Change(name, old[name], new[name]) for name in old if old[name] != new[name]]
    sites = {state.view.site_id for state in (before, after) if state.view.site_id is not None}
    return Difference(before, after, changes, _events_between(unit_id, sites, earlier, later, as_of))


def known_position(position: int | None) -> int:
    """A position asked for, at most the last one; None is the last."""
    head = log.head_position()
    return head if position is None else min(position, head)


@dataclass(frozen=True, slots=True)
class _Due:
    """Where an installed unit hung, and what its history comes to there."""

    place: StationPlace
    zone: str
    segments: list[due.DueSegment]
    outlook: Outlook


def _states(unit_ids: Collection[UUID], as_of: datetime | None, known_at: int) -> dict[UUID, PastState]:
    histories = {
        unit_id: fold_unit(counting, None, ahead)
        for unit_id, counting, ahead in _events_by_subject(unit_ids, as_of, known_at)
    }
    dues = _dues(histories, as_of, known_at)
    codes, own_zone = fleet.unit_codes(unit_ids), accounts.get_operator().zone
    states: dict[UUID, PastState] = {}
    for unit_id, history in histories.items():
        one = dues.get(unit_id)
        zone = one.zone if one else own_zone
        day = clock.local_date(as_of, zone) if as_of else clock.today(zone)
        segment = segment_on(one.segments, day) if one else None
        view = UnitView(
            unit_id=unit_id,
            code=codes[unit_id],
            site_id=one.place.site_id if one else None,
            status=history.status,
            history=history,
            band=band_on(segment, day),
            segment=segment,
            outlook=one.outlook if one else None,
            restroom=one.place.restroom if one else "",
            station=one.place.station if one else "",
            fixture=one.place.fixture if one else "",
        )
        states[unit_id] = PastState(view, as_of, known_at, day, zone)
    return states


def _dues(histories: Mapping[UUID, UnitHistory], as_of: datetime | None, known_at: int) -> dict[UUID, _Due]:
    """Of the units that hung somewhere: when they were due, by the pauses that had been said by then."""
    stations = {i: UUID(h.station_id) for i, h in histories.items() if h.is_installed and h.station_id}
    if not stations:
        return {}
    known = fleet.stations(set(stations.values()))
    places = {unit_id: known[station_id] for unit_id, station_id in stations.items()}
    site_ids = {place.site_id for place in places.values()}
    standstills = {
        site_id: [due.Standstill(span.starts_on, span.ends_on) for span in fold_standstills(counting)]
        for site_id, counting, _ in _events_by_subject(site_ids, as_of, known_at)
    }
    placed = [Placed(unit_id, place.site_id, histories[unit_id]) for unit_id, place in places.items()]
    segment_rows, outlook_rows = rows_of(placed, standstills)
    segments: dict[UUID, list[due.DueSegment]] = {unit_id: [] for unit_id in places}
    for row in segment_rows:
        segments[UUID(row["unit_id"])].append(_segment(row))
    outlooks = {UUID(row["unit_id"]): _outlook(row) for row in outlook_rows}
    sites = accounts.sites_in(site_ids)
    return {
        unit_id: _Due(place, sites[place.site_id].zone, segments[unit_id], outlooks[unit_id])
        for unit_id, place in places.items()
    }


def _segment(row: Mapping[str, Any]) -> due.DueSegment:
    values: dict[str, Any] = {name: row[name] for name in SEGMENT_FIELDS}
    days = {name: date.fromisoformat(values[name]) for name in _DAYS if values[name]}
    return due.DueSegment(**(values | days))


def _outlook(row: Mapping[str, Any]) -> Outlook:
    """An unsaved row, its values as the database would give them."""
    outlook = Outlook(unit_id=UUID(row["unit_id"]), site_id=UUID(row["site_id"]))
    for name, column in _OUTLOOK_COLUMNS.items():
        setattr(outlook, name, column.to_python(row[name]))
    return outlook


def _events_by_subject(
    subject_ids: Collection[UUID], as_of: datetime | None, known_at: int
) -> Iterator[tuple[UUID, list[FoldEvent], list[FoldEvent]]]:
    """Each subject with its events that count and those that wait, in canonical order, none after ``as_of``.

    Which of them count is decided over all that is known, later corrections included, before the later ones are left out.
    """
    events = [fold_event(row) for row in log.events_of(subject_ids, upto=known_at)] if subject_ids else []
    standing = standings(events)
    counting: dict[UUID, list[FoldEvent]] = {subject_id: [] for subject_id in subject_ids}
    ahead: dict[UUID, list[FoldEvent]] = {subject_id: [] for subject_id in subject_ids}
    for event in sorted(events, key=lambda one: one.key):
        if event.subject_id not in counting or (as_of is not None and event.occurred_at > as_of):
            continue
        if standing[event.event_id] is EFFECTIVE:
            counting[event.subject_id].append(event)
        elif standing[event.event_id] is CLOCK_AHEAD:
            ahead[event.subject_id].append(event)
    for subject_id in subject_ids:
        yield subject_id, counting[subject_id], ahead[subject_id]


def _events_between(
    unit_id: UUID, site_ids: set[UUID], after: int, upto: int, as_of: datetime | None
) -> list[KnownEvent]:
    of_unit = {row.event_id for row in log.events_of({unit_id}, upto=upto) if row.position > after}
    of_sites = {
        row.event_id
        for row in (log.events_of(site_ids, upto=upto) if site_ids else ())
        if row.position > after and (row.type in _PAUSING or row.corrects is not None)
    }
    found = known_events(after=after, upto=upto, event_ids=of_unit | of_sites)
    return [
        event for event in found if as_of is None or event.occurred_at <= as_of or event.corrects is not None
    ]


_HISTORY_FIELDS = (
    "installed_at", "opened_at", "said_installed_on", "withdrawn_at", "cartridge_id", "charge_ml", "charged_at", "last_exchange_at", "level_ml", "level_at",
    "set_dose_ml_per_day", "wick_since", "wick_condition", "wick_checked_at", "wick_washed_at", "reservoir_cleaned_at",
    "outlet_cleared_at", "open_faults", "reports", "findings",
)  # fmt: skip
_DUE_FIELDS = ("due_on", "opens_on", "past_grace_from", "long_past_from", "is_reopen")
_DAYS = ("starts_on", "ends_before", "due_on", "opens_on", "past_grace_from", "long_past_from")
# What of an outlook is shown as a change; the figures behind it come with it.
_OUTLOOK_FIELDS = (
    "dose_ml_per_day", "dry_on", "dry_earliest_on", "dry_latest_on", "empty_on", "dry_soon_from", "latest_on", "dry_advice",
    "drift", "drift_since_on", "drift_advice", "wick_since_on", "wick_watch_from", "wick_advice", "wick_reason", "clean_due_on",
)  # fmt: skip
_OUTLOOK_COLUMNS: dict[str, Any] = {
    column.attname: column
    for column in Outlook._meta.concrete_fields
    if column.attname not in {"operator_id", "unit_id", "site_id"}
}


def _fields_of(view: UnitView) -> dict[str, Any]:
    """What is compared of a unit's state, the gravest first, as plain JSON values."""
    history = view.history
    plain = {
        "status": view.status,
        "site": view.site_id,
        "station_id": history.station_id if history.is_installed else None,
        "band": view.band,
        **{name: getattr(view.segment, name, None) for name in _DUE_FIELDS},
        **{name: getattr(view.outlook, name, None) for name in _OUTLOOK_FIELDS},
    }
    texts = {name: v if v is None or isinstance(v, bool) else str(v) for name, v in plain.items()}
    return texts | {name: getattr(history, name) for name in _HISTORY_FIELDS}
