"""One part of a close: its events rated, and what differs from what earlier closes made of them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from uuid import UUID

from billing.projections import reading
from billing.projections.grouping import Part, Place
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
    """What one part adds to a close. ``inputs`` are what its documents need; ``frozen`` is all that it read.

    ``older``: charge rows that earlier closes left open.
    """

    number: int
    frozen: bytes
    inputs: Inputs
    dispositions: list[Disposition] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    older: list[tuple[UUID, Line]] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)
    days_without_price: int = 0
    days_without_agreement: int = 0


def add_part(closing: Closing, part: Part, earlier: Earlier) -> Added:
    """Rate a part's places and compare with what is stored; changes nothing in the database."""
    older = older_lines(part, earlier)
    units = [unit_id for place in part.places for unit_id in place.units]
    inputs = reading.read_part(closing, part.site_ids, part.customers, units)
    rating = _PartRating(closing, part, earlier, inputs)
    rating.read()
    added = Added(part.number, b"", inputs, older=older)
    charges = rating.rate(added)
    added.lines = differences(charges, rating.charged_before(), closing.month)
    inputs = with_parties(rating.inputs, [*added.lines, *(line for _, line in older)])
    added.frozen = _frozen(closing, inputs)
    added.inputs = for_documents(inputs)
    return added


def older_lines(part: Part, earlier: Earlier) -> list[tuple[UUID, Line]]:
    """Charge rows of the part's payers that earlier closes left open."""
    return [line for customer_id in part.customers for line in earlier.open_lines.get(customer_id, ())]


def for_documents(inputs: Inputs) -> Inputs:
    """Of a part's inputs what its documents need."""
    return replace(inputs, items=(), sites={}, stations={}, units={}, contract_sites=())


def frozen_anew(closing: Closing, part: Part, stations: Iterable[UUID], lines: Iterable[Line]) -> bytes:
    """What a part would read now, without the log, given the stations and the lines that came of it.

    As long as these are the bytes of ``Added.frozen``, rating the part again gives what it gave.
    """
    units = [unit_id for place in part.places for unit_id in place.units]
    inputs = reading.read_part(closing, part.site_ids, part.customers, units)
    return _frozen(closing, with_parties(reading.with_stations(inputs, stations), lines))


def _frozen(closing: Closing, inputs: Inputs) -> bytes:
    marks = {str(site.id): mark(inputs, site, closing.open_from) for site in inputs.sites.values()}
    return frozen_part(inputs, marks)


@dataclass(slots=True)
class _PartRating:
    """One part being rated. By a place's position in the part: its work, the events first disposed of, its subjects.

    ``again``: the positions of places that are rated from the beginning.
    """

    closing: Closing
    part: Part
    earlier: Earlier
    inputs: Inputs
    again: set[int] = field(default_factory=set)
    work: list[Work] = field(default_factory=list)
    fresh: list[set[UUID]] = field(default_factory=list)
    subjects: list[set[UUID]] = field(default_factory=list)

    def read(self) -> None:
        """Read the log: all of a place that is rated again, else what is new and what the terms look back for."""
        marks = {site.id: mark(self.inputs, site, self.closing.month) for site in self.inputs.sites.values()}
        for position, place in enumerate(self.part.places):
            held = self._held(place)
            if self._is_again(place, held, marks):
                self.again.add(position)
            self.work.append(Work(sites=set(place.sites)))
            self.fresh.append({d.event_id for d in held})
            self.subjects.append({*place.units, *place.others, *place.sites, *(d.subject_id for d in held)})
        self._add_earlier_subjects()
        place_of = {s: position for position, subjects in enumerate(self.subjects) for s in subjects}
        from_start = self._subjects_again()
        self._read_events(place_of, from_start, 0)
        self._read_events(place_of, place_of.keys() - from_start, self.closing.after)
        happenings = (
            happening
            for work in self.work
            for group in (work.units, work.others)
            for own in group.values()
            for happening in own
        )
        self.inputs = reading.with_places(self.inputs, happenings)

    def rate(self, added: Added) -> list[Charge]:
        """Every charge of the places that are rated again, and those of the month of the others; counts into ``added``."""
        before = self._disposed_before()
        charges: list[Charge] = []
        for position, work in enumerate(self.work):
            is_again, month = position in self.again, self.closing.month
            rated = rate(
                self.inputs,
                work,
                first_month=(self.inputs.charged_from or month) if is_again else month,
                open_from=self.closing.open_from,
                only=None if is_again else self.fresh[position],
            )
            changed = (d for d in rated.dispositions if before.get(d.event_id) != d)
            added.dispositions += changed if before else rated.dispositions
            charges += rated.charges
            added.held += rated.held
            added.days_without_price += rated.days_without_price
            added.days_without_agreement += rated.days_without_agreement
        return charges

    def charged_before(self) -> dict[str, Charge]:
        """What earlier closes charged of all that this one rates again."""
        if self.closing.previous is None:
            return {}
        from_start = self._subjects_again()
        found = closes.charged_for(from_start) if from_start else {}
        if any(terms.in_advance for terms in reading.terms_of(self.inputs)):
            others = {s for subjects in self.subjects for s in subjects} - from_start
            found |= closes.charged_ahead(others, self.closing.month)
        return found

    def _held(self, place: Place) -> list[Disposition]:
        return self.earlier.waiting.get(id(place), [])

    def _is_again(self, place: Place, held: Iterable[Disposition], marks: Mapping[UUID, str]) -> bool:
        """Whether a place is rated from the beginning: something late or corrected, held before, or agreed otherwise."""
        then = self.earlier.marks
        return (
            self.closing.previous is None
            or place.is_again
            or any(disposition.reason not in WAITING for disposition in held)
            or any(then.get(site_id, marks[site_id]) != marks[site_id] for site_id in place.sites)
        )

    def _add_earlier_subjects(self) -> None:
        """Visits and sites of earlier months, where those are rated again or the terms ask about them."""
        if self.closing.previous is None:
            return
        of_site = {
            site_id: position
            for position, place in enumerate(self.part.places)
            if position in self.again or _looks_back_at_visits(self.inputs, place)
            for site_id in place.sites
        }
        for site_id, subject_id in closes.subjects_by_site(of_site.keys()):
            self.subjects[of_site[site_id]].add(subject_id)

    def _subjects_again(self) -> set[UUID]:
        return {s for position in self.again for s in self.subjects[position]}

    def _read_events(self, place_of: Mapping[UUID, int], subjects: Collection[UUID], after: int) -> None:
        if not subjects:
            return
        rows = worked.work_of(
            subjects,
            upto=self.closing.cut,
            superseded=self.closing.superseded,
            after=after,
            besides=reading.besides(self.inputs),
            event_ids=[event_id for fresh in self.fresh for event_id in fresh],
        )
        for row in rows:
            position = place_of[row.subject_id]
            work = self.work[position]
            group = work.units if row.subject_kind == "unit" else work.others
            group.setdefault(row.subject_id, []).append(reading.happening(row))
            if row.is_new:
                self.fresh[position].add(row.event_id)

    def _disposed_before(self) -> dict[UUID, Disposition]:
        if self.closing.previous is None:
            return {}
        known = {d.event_id: d for place in self.part.places for d in self._held(place)}
        return known | closes.dispositions_of(self._subjects_again(), ())


def _looks_back_at_visits(inputs: Inputs, place: Place) -> bool:
    """Whether a place's terms ask about visits of earlier months."""
    return any(
        terms.credits_missed or any(inclusion.event_type == MADE for inclusion in terms.inclusions)
        for site_id in place.sites
        for row in inputs.covers_of(site_id)
        for terms in inputs.contracts[row.contract_id].terms
    )


def with_parties(inputs: Inputs, lines: Iterable[Line]) -> Inputs:
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
