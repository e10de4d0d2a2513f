"""Where the parts of a close wait that is rated in chunks: with its piece of long work, one file a part.

A file is JSON Lines, deflated: a heading, what the part read, its lines, then its dispositions as the rows they will be.
The heading says from what the part was rated, so that it can be told whether that still holds.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

import orjson

from accounts.jobs import long
from billing.projections import parting
from billing.projections.adding import Plan, Sum
from billing.projections.grouping import Part
from billing.projections.parting import Added
from billing.projections.spooling import Waiting, lines_as_json, lines_of
from billing.projections.storing import disposition_rows
from billing.rules.documents import digest
from billing.rules.freezing import frozen_shared, read_as, thawed
from billing.rules.rating import Held

LEVEL = 1  # quick; a part shrinks to about a tenth all the same


@dataclass(slots=True)
class Shelf:
    """The parts of a piece of long work. ``shared``: what all parts read, frozen, as of the plan."""

    work: long.LongWork
    plan: Plan
    shared: dict[str, Any] = field(init=False)
    shared_sha256: str = field(init=False)

    def __post_init__(self) -> None:
        self.shared = frozen_shared(self.plan.closing.shared)
        self.shared_sha256 = digest(self.shared)

    def rate(self, part: Part) -> None:
        """Rate a part and put it in its place."""
        added = self.plan.rated(part)
        long.put_file(self.work, part.number, long.PART, self._packed(part, added))

    def holds(self, part: Part) -> bool:
        """Whether the part is here, and rating it again would give what it gave."""
        heading, frozen, lines = self._read(part.number)[:3]
        if not heading or (heading["plan"], heading["shared"]) != (_plan_sha256(part), self.shared_sha256):
            return False
        stations = [UUID(row["id"]) for row in orjson.loads(frozen)["stations"]]
        known = [*lines_of(lines), *(line for _, line in self.plan.older(part))]
        return parting.frozen_anew(self.plan.closing, part, stations, known) == frozen

    def is_whole(self) -> bool:
        """Whether each part of the plan is here, of whatever it was rated from."""
        return all(self._read(part.number)[0].get("plan") == _plan_sha256(part) for part in self.plan.parts)

    def total(self) -> Sum:
        """What the parts come to together."""
        total = Sum(self.plan.closing, self, self.shared)
        hashes = hashlib.sha256(self.shared_sha256.encode())
        for part in self.plan.parts:
            heading, frozen, *_rest = self._read(part.number)
            hashes.update(hashlib.sha256(frozen).hexdigest().encode())
            held = [read_as(Held, row) for row in heading["held"]]
            total.add(held, heading["days_without_price"], heading["days_without_agreement"])
        total.inputs_sha256 = hashes.hexdigest()
        return total

    def parts(self) -> Iterator[Waiting]:
        """The parts in their order, as a spool gives them."""
        for part in self.plan.parts:
            _heading, frozen, lines, *dispositions = self._read(part.number)
            inputs = parting.for_documents(thawed({**self.shared, **orjson.loads(frozen)}))
            yield Waiting(part.number, frozen, inputs, dispositions, lines, self.plan.older(part))

    def _packed(self, part: Part, added: Added) -> bytes:
        heading = orjson.dumps(
            {
                "plan": _plan_sha256(part),
                "shared": self.shared_sha256,
                "held": added.held,
                "days_without_price": added.days_without_price,
                "days_without_agreement": added.days_without_agreement,
            }
        )
        rows = disposition_rows(added.dispositions)
        return zlib.compress(b"\n".join((heading, added.frozen, lines_as_json(added.lines), *rows)), LEVEL)

    def _read(self, number: int) -> tuple[Mapping[str, Any], bytes, bytes, *tuple[bytes, ...]]:
        file = long.file_found(self.work, number)
        if file is None:
            return {}, b"", b"[]"
        heading, frozen, lines, *rows = zlib.decompress(file.content).split(b"\n")
        return orjson.loads(heading), frozen, lines, *rows


def _plan_sha256(part: Part) -> str:
    """Of what the part consists, whatever order it was read in."""
    places = sorted(
        (
            [sorted(place.sites), sorted(place.units), sorted(place.others), place.is_again]
            for place in part.places
        ),
        key=lambda place: place[:3],
    )
    return hashlib.sha256(orjson.dumps([sorted(part.customers), places])).hexdigest()
