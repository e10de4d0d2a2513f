"""Whether the log still is what was sealed: every sealed row read and hashed again, the chain, and anchors from outside."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from accounts.tenancy import current_operator_id
from servicing import log
from servicing.log import EventRow, content_hash
from servicing.models import Event, Seal
from servicing.queries.seals import anchor_of, block_of, leaf_of, seals
from servicing.rules.merkle import leaf_hash, root_of
from servicing.rules.seals import NOTHING_BEFORE

# Below every position that the database would draw.
_BEFORE_ALL = -(2**62)


@dataclass(frozen=True, slots=True)
class Fault:
    """One way in which the log is not what was sealed. ``number``: the first seal that says otherwise, if one is there.

    Kinds: ``edited``, ``removed``, ``inserted``, ``cut`` (the end of the log), ``changed`` (same number of events, other
    content: an edit whose hash was made to fit, or a swap), ``chain`` (a seal was changed, removed or added),
    ``anchor`` (the seals agree among themselves and not with what was kept outside).
    """

    number: int | None
    kind: str
    detail: str


@dataclass(frozen=True, slots=True)
class Verification:
    """``events`` were covered by ``seals``; ``unsealed`` come after the last seal and nothing is known of them."""

    seals: int
    events: int
    unsealed: int
    anchors: int
    faults: tuple[Fault, ...]


def verify(
    anchors: Sequence[dict[str, Any]] = (), *, tell: Callable[[int], None] = lambda _: None
) -> Verification:
    """Check the scope's operator. ``anchors``: as ``get_anchor`` gave them, those of other operators are passed over.

    ``tell`` hears after each block how many events were read. Needs no snapshot: the seals are read first, and what
    they cover has no reason ever to change.
    """
    operator_id = current_operator_id()
    chain = list(seals())
    own = [anchor for anchor in anchors if str(anchor["operator_id"]) == str(operator_id)]
    faults, events = list(_chain_faults(chain)), 0
    after = _BEFORE_ALL
    for seal in chain:
        rows = log.events_after(after, upto=seal.last_position)
        faults += _block_faults(operator_id, seal, rows, is_last=seal is chain[-1])
        after, events = max(after, seal.last_position), events + len(rows)
        tell(events)
    faults.sort(key=lambda fault: fault.number or 0)
    faults += _anchor_faults(chain, own)
    unsealed = Event.objects.filter(position__gt=after).count()
    return Verification(len(chain), events, unsealed, len(own), tuple(faults))


def _chain_faults(chain: list[Seal]) -> Iterator[Fault]:
    previous, total, after = NOTHING_BEFORE, 0, _BEFORE_ALL
    for expected, seal in enumerate(chain, 1):
        number = seal.number
        if number != expected:
            yield Fault(expected, "chain", f"Seal {expected} is missing; the next one here is {number}.")
            return
        block = block_of(seal)
        if block.hash() != bytes(seal.seal_hash):
            yield Fault(number, "chain", f"Seal {number} was changed: its hash is not that of what it says.")
        if block.previous_hash != previous:
            yield Fault(number, "chain", f"Seal {number} does not follow the seal before it.")
        if block.total != total + block.count or block.first_position <= after:
            yield Fault(number, "chain", f"Seal {number} does not go on where the seal before it ended.")
        previous, total, after = bytes(seal.seal_hash), block.total, block.last_position


def _block_faults(operator_id: UUID, seal: Seal, rows: list[EventRow], *, is_last: bool) -> Iterator[Fault]:
    number = seal.number
    where = f"Block {number} (positions {seal.first_position} to {seal.last_position})"
    leaves, edited = _hashes(operator_id, rows)
    if edited:
        yield Fault(
            number,
            "edited",
            f"{where}: the event at position {edited[0]} was edited, for its content hash does not fit.",
        )
    missing = seal.count - len(rows)
    if missing > 0:
        is_cut = is_last and (not rows or rows[-1].position < seal.last_position)
        kind, what = ("cut", "are missing at the end") if is_cut else ("removed", "were removed")
        yield Fault(number, kind, f"{where}: {missing} of {seal.count} events {what}.")
    elif missing < 0:
        yield Fault(number, "inserted", f"{where}: {-missing} events were inserted beside {seal.count}.")
    elif root_of(leaves) != bytes(seal.root) and not edited:
        yield Fault(
            number,
            "changed",
            f"{where}: an event was edited and its content hash made to fit, or events were swapped.",
        )
    elif rows and (rows[0].position, rows[-1].position) != (seal.first_position, seal.last_position):
        yield Fault(number, "chain", f"{where}: its events lie elsewhere.")


def _hashes(operator_id: UUID, rows: list[EventRow]) -> tuple[list[bytes], list[int]]:
    """Each row's leaf hash, and the positions whose content hash is not that of their row."""
    leaves, edited = [], []
    for row in rows:
        try:
            if content_hash(row, from_office=False) != row.content_hash and not _is_offices(row):
                edited.append(row.position)
            leaves.append(leaf_hash(leaf_of(operator_id, row)))
        except TypeError:  # a value that no event can have, such as a number of more than 64 bits
            edited.append(row.position)
    return leaves, edited


def _is_offices(row: EventRow) -> bool:
    """The office's sequence is drawn by the server and no part of its content hash; the leaf covers it."""
    return content_hash(row, from_office=True) == row.content_hash


def _anchor_faults(chain: list[Seal], anchors: list[dict[str, Any]]) -> Iterator[Fault]:
    here = {seal.number: anchor_of(seal) for seal in chain}
    for anchor in sorted(anchors, key=lambda one: int(one["number"])):
        number = int(anchor["number"])
        found = here.get(number)
        when = f"The anchor of {anchor['sealed_at']}"
        if found is None:
            last = f"the last seal here is {chain[-1].number}" if chain else "there is no seal here"
            yield Fault(
                number,
                "anchor",
                f"{when} knows seal {number} and {anchor['count']} events; {last}: the end was cut off.",
            )
            continue
        odd = [name for name, value in found.items() if str(anchor.get(name)) != str(value)]
        if odd:
            yield Fault(
                number,
                "anchor",
                f"{when} does not fit seal {number} ({', '.join(odd)}): the log was changed and sealed anew.",
            )
