"""How a close is taken apart: sites that shared a unit stay together, and so do all sites of one payer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

import accounts.queries
import fleet.queries
from billing.queries import closes
from servicing.queries import worked

# Of subjects, in memory at a time. A payer with more has a part of its own.
SUBJECTS_IN_A_PART = 4_000


@dataclass(slots=True)
class Place:
    """Sites that shared a unit, rated at once, with the units that ever hung there and the subjects of new events.

    ``is_again``: something about its earlier months may be new, so it is rated from the beginning. A place without sites
    has the subjects that were never at a site of the operator's.
    """

    sites: list[UUID] = field(default_factory=list)
    units: list[UUID] = field(default_factory=list)
    others: set[UUID] = field(default_factory=set)
    is_again: bool = False

    @property
    def size(self) -> int:
        return len(self.sites) + len(self.units) + len(self.others)


@dataclass(slots=True)
class Part:
    """Some payers with all their customers' places: what is rated, stored and issued at a time."""

    number: int
    customers: list[UUID] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)

    @property
    def site_ids(self) -> list[UUID]:
        return [site_id for place in self.places for site_id in place.sites]


class _Sets:
    """Which ids belong together (union-find)."""

    __slots__ = ("_parents",)

    def __init__(self) -> None:
        self._parents: dict[UUID, UUID] = {}

    def root(self, one: UUID) -> UUID:
        parents = self._parents
        while (above := parents.get(one, one)) != one:
            parents[one] = parents.get(above, above)
            one = above
        return one

    def join(self, one: UUID, other: UUID) -> None:
        first, second = sorted((self.root(one), self.root(other)))
        if first != second:
            self._parents[second] = first


@dataclass(slots=True)
class Grouping:
    """Every subject's place, and the parts in the order of the payers' codes."""

    parts: list[Part]
    place_of_site: dict[UUID, Place]
    place_of_subject: dict[UUID, Place]
    nowhere: Place

    def place_of(self, subject_id: UUID, site_id: UUID | None = None) -> Place:
        known = self.place_of_subject.get(subject_id) or self.place_of_site.get(subject_id)
        if known is None and site_id is not None:
            known = self.place_of_site.get(site_id)
        return known or self.nowhere


def grouped(after: int, upto: int, before: datetime, payers_due: set[UUID]) -> Grouping:
    """The operator's work up to a position, in parts; places with an event after ``after`` from ``before`` a moment again.

    ``payers_due``: payers that have a part even without a site, since charges of theirs are open.
    """
    sets = _Sets()
    homes = _homes(sets, upto)
    visits: dict[UUID, UUID] = {}
    for visit_id, named in worked.sites_of_visits(after, upto=upto):
        for site_id in named:
            sets.join(visits.setdefault(visit_id, site_id), site_id)
    customer_of = dict(accounts.queries.sites().values_list("id", "customer_id").iterator())
    places: dict[UUID, Place] = {}
    for site_id in customer_of:
        places.setdefault(sets.root(site_id), Place()).sites.append(site_id)
    grouping = Grouping([], {s: places[sets.root(s)] for s in customer_of}, {}, Place())
    for unit_id, home in homes.items():
        place = grouping.place_of_site.get(home, grouping.nowhere) if home else grouping.nowhere
        place.units.append(unit_id)
        grouping.place_of_subject[unit_id] = place
    for kind, subject_id, is_late in worked.named_after(after, upto=upto, before=before):
        place = grouping.place_of(subject_id, visits.get(subject_id))
        place.is_again |= is_late
        if kind != "unit":
            place.others.add(subject_id)
            grouping.place_of_subject.setdefault(subject_id, place)
        elif subject_id not in grouping.place_of_subject:
            place.units.append(subject_id)
            grouping.place_of_subject[subject_id] = place
    grouping.parts = list(_parts(places, customer_of, payers_due, grouping.nowhere))
    return grouping


def _homes(sets: _Sets, upto: int) -> dict[UUID, UUID | None]:
    """A site of each unit that an event ever hung somewhere; sites that one unit hung at are joined."""
    site_of = fleet.queries.site_of_each_station()
    homes: dict[UUID, UUID | None] = {}
    for unit_id, station_id in worked.stations_of_units(upto=upto):
        site_id = site_of.get(station_id)
        home = homes.get(unit_id)
        if home is not None and site_id is not None:
            sets.join(home, site_id)
        homes[unit_id] = home or site_id
    return homes


@dataclass(slots=True)
class _Payers:
    """Who pays for whom, payers joined whose places are one."""

    payer_of: dict[UUID, UUID]
    sets: _Sets = field(default_factory=_Sets)

    def root(self, customer_id: UUID) -> UUID:
        return self.sets.root(self.payer_of[customer_id])


def _parts(
    places: dict[UUID, Place], customer_of: dict[UUID, UUID], payers_due: set[UUID], nowhere: Place
) -> Iterator[Part]:
    codes = dict(accounts.queries.customers().values_list("id", "code").iterator())
    payers = _Payers({customer_id: customer_id for customer_id in codes} | closes.payers())
    for place in places.values():
        for site_id in place.sites[1:]:
            payers.sets.join(*(payers.payer_of[customer_of[s]] for s in (place.sites[0], site_id)))
    of_root: dict[UUID, list[Place]] = {}
    for place in places.values():
        of_root.setdefault(payers.root(customer_of[place.sites[0]]), []).append(place)
    customers: dict[UUID, list[UUID]] = {}
    for customer_id in codes:
        customers.setdefault(payers.root(customer_id), []).append(customer_id)
    due = {payers.sets.root(payer_id) for payer_id in payers_due}
    part, size = Part(1), 0
    for root in sorted(customers, key=lambda root: min(codes[c] for c in customers[root])):
        if root not in of_root and root not in due:
            continue
        part.customers += customers[root]
        part.places += of_root.get(root, [])
        size += 1 + sum(place.size for place in of_root.get(root, []))
        if size >= SUBJECTS_IN_A_PART:
            yield part
            part, size = Part(part.number + 1), 0
    if nowhere.size:
        part.places.append(nowhere)
    if part.places or part.customers or part.number == 1:
        yield part
