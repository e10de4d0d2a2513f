"""From the log and the master data to dispositions and charges: what a close adds, and all of it again for the check."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

import accounts.queries
import fleet.queries
from accounts import tenancy
from billing.models import PeriodClose
from billing.projections import remaking
from billing.queries import closes, prices
from billing.rules import inputs as plain
from billing.rules.changes import changed_sites
from billing.rules.dispositions import INSTALLING, WAITING, Disposition
from billing.rules.documents import digest
from billing.rules.freezing import frozen, thawed
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Line, differences
from billing.rules.places import Happening
from billing.rules.rating import Rated, Work, month_after, rate
from servicing.queries import events as log
from servicing.queries.events import KnownEvent

TENURE = frozenset({"unit.installed", "unit.moved", "unit.withdrawn"})
# Where it is already the first of a month while the furthest zone behind UTC still has the day before.
FURTHEST_BEHIND = timedelta(hours=12)


@dataclass(slots=True)
class Subjects:
    """Events grouped by what they are about, each once."""

    kinds: dict[UUID, str] = field(default_factory=dict)
    events: dict[UUID, dict[UUID, Happening]] = field(default_factory=dict)

    def add(self, known: Iterable[KnownEvent]) -> None:
        for event in known:
            self.kinds[event.subject_id] = event.subject_kind
            self.events.setdefault(event.subject_id, {})[event.event_id] = happening(event)


@dataclass(frozen=True, slots=True)
class Additions:
    """What a close adds: the dispositions that are new or other than before, and the lines of every difference."""

    dispositions: list[Disposition]
    lines: list[Line]
    days_without_price: int
    days_without_agreement: int


def happening(event: KnownEvent) -> Happening:
    payload: Any = event.payload
    return Happening(
        event_id=event.event_id,
        type=str(event.type),
        subject_id=event.subject_id,
        occurred_at=event.occurred_at,
        device_id=event.device_id,
        device_sequence=event.device_sequence,
        standing=event.standing,
        superseded_by=event.superseded_by,
        station_id=payload.station_id if event.type in TENURE - {"unit.withdrawn"} else None,
        site_id=event.subject_id if event.subject_kind == "site" else getattr(payload, "site_id", None),
    )


def tenure_upto(cut: int) -> list[KnownEvent]:
    """The events that say where units hung, known at a cut."""
    return log.known_events(upto=cut, types=TENURE)


def read_inputs(cut: int, tenure: Sequence[KnownEvent]) -> Inputs:
    """Everything beside the log that a close at this cut reads, as it is now."""
    stations = {s for s in (happening(event).station_id for event in tenure) if s is not None}
    sites = list(accounts.queries.sites())
    agreements = accounts.queries.agreements_of([site.id for site in sites])
    standstills = log.standstills_upto(cut, [site.id for site in sites])
    operator = accounts.queries.get_operator()
    return Inputs(
        operator=plain.Operator(operator.id, operator.legal_name, operator.currency, operator.zone),
        items=tuple(prices.priced_items()),
        sites={site.id: _site(site, agreements[site.id], standstills.get(site.id, [])) for site in sites},
        stations={
            place.station_id: plain.Station(
                place.station_id, place.site_id, place.restroom, place.station, place.fixture
            )
            for place in fleet.queries.stations(stations).values()
        },
        units=fleet.queries.unit_codes({event.subject_id for event in tenure}),
        customers={
            c.id: plain.Customer(c.id, c.code, c.name, c.address, c.country, c.billing_email)
            for c in accounts.queries.customers()
        },
    )


def _site(site: Any, agreements: Iterable[Any], standstills: Iterable[Any]) -> plain.Site:
    return plain.Site(
        id=site.id,
        code=site.code,
        name=site.name,
        zone=site.zone,
        customer_id=site.customer_id,
        agreements=tuple(plain.Agreement(a.id, a.number, a.starts_on, a.ends_on) for a in agreements),
        standstills=tuple(plain.Standstill(s.starts_on, s.ends_on, s.billing) for s in standstills),
    )


def first_month(inputs: Inputs, tenure: Sequence[KnownEvent]) -> date | None:
    """Where billing begins: the month of the first price or of the first installation, the later one.

    None without prices. Before anything is installed it is the month of the first price.
    """
    if inputs.prices_from is None:
        return None
    installed = [e for e in tenure if e.type == INSTALLING and e.standing == "effective"]
    days = [plain.local_day(event.occurred_at, inputs.operator.zone) for event in installed]
    return max(inputs.prices_from, min(days, default=inputs.prices_from)).replace(day=1)


def next_month() -> date | None:
    """The month to close next, whether it has ended or not; None before there are prices."""
    last = closes.last_close()
    if last is not None:
        return month_after(last.month)
    tenure = tenure_upto(cut := log.head_position())
    return first_month(read_inputs(cut, tenure), tenure)


def additions(
    previous: PeriodClose | None, month: date, cut: int, inputs: Inputs, tenure: Sequence[KnownEvent]
) -> Additions:
    """What closing ``month`` at ``cut`` adds to what the closes up to ``previous`` made of the log.

    New events and held ones get their disposition, every unit its month. A subject is rated again from the beginning
    when something about its earlier months is new: a late event, a correction, other terms of its site.
    """
    new = log.known_events(upto=cut, after=previous.cut_position if previous else 0)
    held = closes.held_dispositions()
    waiting = {d.event_id for d in held}
    again = _to_rate_again(previous, month, cut, inputs, new) if previous else {e.subject_id for e in new}
    again |= {d.subject_id for d in held if d.reason not in WAITING}
    subjects = Subjects()
    subjects.add(tenure)
    subjects.add(log.known_events(upto=cut, event_ids=waiting))
    if previous is not None:
        subjects.add(log.known_events(upto=cut, subject_ids=again))
    subjects.add(new)
    wanted = {event.event_id for event in new} | waiting
    before = closes.dispositions_of(again, waiting)
    dispositions, charges, counts = [], [], [0, 0]
    for subject_id in subjects.events:
        whole = subject_id in again
        rated = _rated(subjects, subject_id, inputs, None if whole else month, month_after(month))
        dispositions += [
            d for d in rated.dispositions if (whole or d.event_id in wanted) and before.get(d.event_id) != d
        ]
        charges += [c for c in rated.charges if whole or c.event_id is None or c.event_id in wanted]
        counts[0] += rated.days_without_price
        counts[1] += rated.days_without_agreement
    lines = differences(charges, closes.charged_for(again), month)
    return Additions(dispositions, lines, *counts)


def _rated(
    subjects: Subjects, subject_id: UUID, inputs: Inputs, month: date | None, open_from: date
) -> Rated:
    """One subject rated; ``month`` None: all its months since the first price."""
    events = list(subjects.events[subject_id].values())
    if subjects.kinds[subject_id] != "unit":
        work = Work(others={subject_id: events})
        return rate(inputs, work, first_month=open_from, open_from=open_from)
    since = month or inputs.prices_from or open_from
    return rate(inputs, Work(units={subject_id: events}), first_month=since, open_from=open_from)


def _to_rate_again(
    previous: PeriodClose, month: date, cut: int, inputs: Inputs, new: Collection[KnownEvent]
) -> set[UUID]:
    """The subjects whose months before ``month`` may have changed: by a late event, a correction or other terms."""
    began_everywhere = datetime.combine(month, time(), UTC) + FURTHEST_BEHIND
    late = {event.subject_id for event in new if event.occurred_at < began_everywhere}
    corrected = _corrected_with({event.event_id for event in new if event.corrects is not None}, cut)
    return (
        late
        | {event.subject_id for event in log.known_events(upto=cut, event_ids=corrected)}
        | closes.subjects_at(changed_sites(thawed(previous.inputs), inputs, month))
    )


def _corrected_with(event_ids: set[UUID], cut: int) -> set[UUID]:
    """The events that these corrections may have changed: all linked with them by corrections, in either direction."""
    if not event_ids:
        return set()
    linked: dict[UUID, set[UUID]] = {}
    for event in log.known_events(upto=cut, correcting=True):
        if event.corrects is not None:
            linked.setdefault(event.event_id, set()).add(event.corrects)
            linked.setdefault(event.corrects, set()).add(event.event_id)
    found, wanted = set(event_ids), list(event_ids)
    while wanted:
        for neighbour in linked.get(wanted.pop(), set()) - found:
            found.add(neighbour)
            wanted.append(neighbour)
    return found


def check(operator_id: UUID) -> list[str]:
    """Rate every close again from the log at its cut and its frozen inputs; the differences as sentences, [] if none.

    Rates each subject from the beginning, so it also checks that rating only what is new gave the same.
    """
    with tenancy.operator_scope(operator_id, read_only=True):
        every = list(closes.closes_in_order())
        problems = [problem for close in every for problem in _check_close(close)]
        return problems + remaking.document_problems() + _check_sums()


def _check_close(close: PeriodClose) -> list[str]:
    inputs = thawed(close.inputs)
    problems = (
        [] if digest(close.inputs) == close.inputs_sha256 else [f"{_name(close)}: its inputs were changed."]
    )
    subjects = Subjects()
    subjects.add(log.known_events(upto=close.cut_position))
    rated = [_rated(subjects, s, inputs, None, month_after(close.month)) for s in subjects.events]
    expected = {d.event_id: d for one in rated for d in one.dispositions}
    stored = closes.dispositions_at(close)
    problems += [
        f"{_name(close)}: event {event_id} is {_fate(stored.get(event_id))}, but the log gives {_fate(expected.get(event_id))}."
        for event_id in sorted(expected.keys() | stored.keys())
        if expected.get(event_id) != stored.get(event_id)
    ]
    return problems + _check_amounts(close, {c.key: c.amount for one in rated for c in one.charges})


def _check_amounts(close: PeriodClose, expected: Mapping[str, Decimal]) -> list[str]:
    stored = closes.amounts_at(close)
    return [
        f"{_name(close)}: charge {key} stands at {stored.get(key, 0)}, but the log gives {expected.get(key, 0)}."
        for key in sorted(expected.keys() | stored.keys())
        if expected.get(key, 0) != stored.get(key, 0)
    ]


def _check_sums() -> list[str]:
    """What was charged is what was invoiced and what is still open, by currency."""
    charged, invoiced, still_open = closes.sums()
    return [
        f"{currency}: {amount} was charged, but {invoiced.get(currency, 0)} invoiced and {still_open.get(currency, 0)} open."
        for currency, amount in sorted(charged.items())
        if amount != invoiced.get(currency, 0) + still_open.get(currency, 0)
    ]


def _name(close: PeriodClose) -> str:
    return f"Close of {close.month:%Y-%m}"


def _fate(disposition: Disposition | None) -> str:
    return f"{disposition.outcome} {disposition.reason}".strip() if disposition else "without a disposition"


def freeze(inputs: Inputs) -> tuple[dict[str, Any], str]:
    """The inputs as JSON and the digest of their canonical bytes."""
    data = frozen(inputs)
    return data, digest(data)
