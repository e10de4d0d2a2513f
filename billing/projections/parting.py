"""One part of a close: its events rated, and what differs from what earlier closes made of them."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from uuid import UUID

from billing.projections import reading
from billing.projections.grouping import Grouping, Part, Place
from billing.projections.reading import Closing
from billing.queries import closes, contracts, parties
from billing.rules.changes import mark
from billing.rules.dispositions import WAITING, Disposition
from billing.rules.freezing import frozen_part
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Line, differences
from billing.rules.rating import Charge, Held, Work, rate
from billing.rules.visits import MADE
from servicing.queries import worked


@dataclass(slots=True)
class Earlier:
    """What earlier closes left: events that wait, by place; marks of sites; lines that stand on no document, by payer."""

    waiting: dict[int, list[Disposition]] = field(default_factory=dict)
    marks: dict[UUID, str] = field(default_factory=dict)
    open_lines: dict[UUID, list[tuple[UUID, Line]]] = field(default_factory=dict)


@dataclass(slots=True)
class Added:
    """What one part adds to a close. ``inputs`` are what its documents need; ``frozen`` is all that it read."""

    number: int
    frozen: bytes
    inputs: Inputs
    dispositions: list[Disposition] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    waiting: list[tuple[UUID, Line]] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)
    days_without_price: int = 0
    days_without_agreement: int = 0


def add_part(closing: Closing, grouping: Grouping, part: Part, earlier: Earlier) -> Added:
    """Rate a part's places and compare with what is stored; changes nothing in the database."""
    waiting = [line for customer_id in part.customers for line in earlier.open_lines.get(customer_id, ())]
    units = [unit_id for place in part.places for unit_id in place.units]
    inputs = reading.read_part(closing, part.site_ids, part.customers, units)
    marks = {site.id: mark(inputs, site, closing.month) for site in inputs.sites.values()}
    again = [place for place in part.places if _is_again(closing, place, marks, earlier)]
    events = _events(closing, inputs, part, again, earlier)
    inputs = reading.with_places(
        inputs,
        (
            h
            for group in events.work.values()
            for own in (*group.units.values(), *group.others.values())
            for h in own
        ),
    )
    added = Added(part.number, b"", inputs, waiting=waiting)
    charges = _rated(closing, inputs, part, again, events, earlier, added)
    before = _charged_before(closing, inputs, part, again, events)
    added.lines = differences(charges, before, closing.month)
    inputs = _with_parties(inputs, [*added.lines, *(line for _, line in waiting)])
    now = {str(site.id): mark(inputs, site, closing.open_from) for site in inputs.sites.values()}
    added.frozen = frozen_part(inputs, now)
    added.inputs = replace(inputs, items=(), sites={}, stations={}, units={}, contract_sites=())
    return added


@dataclass(slots=True)
class _Events:
    """The work of each place (by its position in the part), the events a close first disposes of, and all subjects."""

    work: dict[int, Work] = field(default_factory=dict)
    fresh: dict[int, set[UUID]] = field(default_factory=dict)
    subjects: dict[int, set[UUID]] = field(default_factory=dict)


def _is_again(closing: Closing, place: Place, marks: dict[UUID, str], earlier: Earlier) -> bool:
    """Whether a place is rated from the beginning: a late or corrected event, other terms, or something held before."""
    return (
        closing.previous is None
        or place.is_again
        or any(d.reason not in WAITING for d in earlier.waiting.get(id(place), ()))
        or any(earlier.marks.get(site_id, marks[site_id]) != marks[site_id] for site_id in place.sites)
    )


def _events(
    closing: Closing, inputs: Inputs, part: Part, again: Collection[Place], earlier: Earlier
) -> _Events:
    found = _Events()
    place_of: dict[UUID, int] = {}
    whole = {id(place) for place in again}
    looking_back = reading.besides(inputs)
    for position, place in enumerate(part.places):
        held = earlier.waiting.get(id(place), ())
        subjects = {*place.units, *place.others, *place.sites, *(d.subject_id for d in held)}
        if closing.previous is not None and (id(place) in whole or _looks_back_at_visits(inputs, place)):
            subjects |= closes.subjects_at(place.sites)
        found.subjects[position] = subjects
        found.work[position] = Work(sites=set(place.sites))
        found.fresh[position] = {d.event_id for d in held}
        place_of |= dict.fromkeys(subjects, position)
    from_start = {s for p, place in enumerate(part.places) if id(place) in whole for s in found.subjects[p]}
    awaited = [event_id for fresh in found.fresh.values() for event_id in fresh]
    for subjects, after in ((from_start, 0), (place_of.keys() - from_start, closing.after)):
        if subjects:
            rows = worked.work_of(
                subjects,
                upto=closing.cut,
                superseded=closing.superseded,
                after=after,
                besides=looking_back,
                event_ids=awaited,
            )
            _sort_in(found, place_of, rows)
    return found


def _sort_in(found: _Events, place_of: dict[UUID, int], rows: Iterable[worked.Worked]) -> None:
    for row in rows:
        position = place_of[row.subject_id]
        work = found.work[position]
        group = work.units if row.subject_kind == "unit" else work.others
        group.setdefault(row.subject_id, []).append(reading.happening(row))
        if row.is_new:
            found.fresh[position].add(row.event_id)


def _looks_back_at_visits(inputs: Inputs, place: Place) -> bool:
    """Whether a place's terms ask about visits of earlier months."""
    for site_id in place.sites:
        for row in inputs.covers_of(site_id):
            for terms in inputs.contracts[row.contract_id].terms:
                if terms.credits_missed or any(one.event_type == MADE for one in terms.inclusions):
                    return True
    return False


def _rated(
    closing: Closing,
    inputs: Inputs,
    part: Part,
    again: Collection[Place],
    events: _Events,
    earlier: Earlier,
    added: Added,
) -> list[Charge]:
    whole = {id(place) for place in again}
    before = _disposed_before(closing, part, whole, events, earlier)
    charges: list[Charge] = []
    for position, place in enumerate(part.places):
        is_again = id(place) in whole
        fresh = events.fresh[position]
        rated = rate(
            inputs,
            events.work[position],
            first_month=(inputs.charged_from or closing.month) if is_again else closing.month,
            open_from=closing.open_from,
            only=None if is_again else fresh,
        )
        added.dispositions += [d for d in rated.dispositions if before.get(d.event_id) != d]
        charges += rated.charges
        added.held += rated.held
        added.days_without_price += rated.days_without_price
        added.days_without_agreement += rated.days_without_agreement
    return charges


def _disposed_before(
    closing: Closing, part: Part, whole: set[int], events: _Events, earlier: Earlier
) -> dict[UUID, Disposition]:
    if closing.previous is None:
        return {}
    known = {d.event_id: d for place in part.places for d in earlier.waiting.get(id(place), ())}
    subjects = {s for p, place in enumerate(part.places) if id(place) in whole for s in events.subjects[p]}
    return known | (closes.dispositions_of(subjects, ()) if subjects else {})


def _charged_before(
    closing: Closing, inputs: Inputs, part: Part, again: Collection[Place], events: _Events
) -> dict[str, Charge]:
    """What earlier closes charged of all that this one rates again."""
    if closing.previous is None:
        return {}
    whole = {id(place) for place in again}
    from_start = {s for p, place in enumerate(part.places) if id(place) in whole for s in events.subjects[p]}
    found = closes.charged_for(from_start) if from_start else {}
    if any(terms.in_advance for terms in reading.terms_of(inputs)):
        others = {s for subjects in events.subjects.values() for s in subjects} - from_start
        found |= closes.charged_ahead(others, closing.month)
    return found


def _with_parties(inputs: Inputs, lines: Iterable[Line]) -> Inputs:
    """With the customers and contracts of lines that earlier closes left, where the part's own sites do not name them."""
    customers = {line.charge.customer_id for line in lines}
    agreed = {line.charge.contract_id for line in lines if line.charge.contract_id} - inputs.contracts.keys()
    missing = customers - inputs.customers.keys()
    if missing:
        profiles = parties.profiles(missing)
        missing |= {p.bill_to_id for p in profiles.values() if p.bill_to_id}
        inputs = replace(
            inputs,
            customers={**inputs.customers, **reading.customers_by_id(missing)},
            profiles={**inputs.profiles, **parties.profiles(missing)},
        )
    if agreed:
        more = {c.id: c for c in contracts.contracts_in(agreed)}
        inputs = replace(inputs, contracts={**inputs.contracts, **more})
    return inputs
