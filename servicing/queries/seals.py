"""The seals of the log: the newest as an anchor to keep elsewhere, and the proof that a sealed block holds an event."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import UUID

import orjson
from django.db.models import QuerySet

from accounts.errors import Conflict, NotFound
from accounts.languages import _
from accounts.tenancy import current_operator_id
from servicing import log
from servicing.log import EventRow
from servicing.models import Seal
from servicing.rules.merkle import audit_path, leaf_hash
from servicing.rules.seals import SealedBlock, canonical


def leaf_of(operator_id: UUID, row: EventRow) -> bytes:
    """A stored event in its canonical form: every column of the row, so that none can be changed unnoticed."""
    return canonical(leaf_content(operator_id, row))


def leaf_content(operator_id: UUID, row: EventRow) -> dict[str, Any]:
    """Every column by its name; the content hash in hex."""
    return {
        "actor_id": row.actor_id,
        "actor_kind": row.actor_kind,
        "content_hash": row.content_hash.hex(),
        "corrects": row.corrects,
        "device_id": row.device_id,
        "device_sequence": row.device_sequence,
        "event_id": row.event_id,
        "member_id": row.member_id,
        "occurred_at": row.occurred_at,
        "operator_id": operator_id,
        "payload": row.payload,
        "position": row.position,
        "received_at": row.received_at,
        "recorded_at": row.recorded_at,
        "schema_version": row.schema_version,
        "subject_id": row.subject_id,
        "subject_kind": row.subject_kind,
        "touch_id": row.touch_id,
        "type": row.type,
        "visit_id": row.visit_id,
    }


def block_of(seal: Seal) -> SealedBlock:
    """What a stored seal of the scope's operator says."""
    return SealedBlock(
        operator_id=current_operator_id(),
        number=seal.number,
        first_position=seal.first_position,
        last_position=seal.last_position,
        count=seal.count,
        total=seal.total,
        root=bytes(seal.root),
        previous_hash=bytes(seal.previous_hash),
        sealed_at=seal.sealed_at,
        reason=seal.reason,
    )


def seals() -> QuerySet[Seal]:
    """The operator's seals, the first one first."""
    return Seal.objects.order_by("number")


@dataclass(frozen=True, slots=True)
class Proof:
    """That an event stands in a sealed block. All JSON values, with ids and instants as in the canonical form.

    ``event``: every column of the stored row. ``index``: its place in the block, from 0. ``path``: the audit path, hex.
    ``seals``: the block's own first, then each later one up to the newest, each with its hash.
    """

    event: dict[str, Any]
    index: int
    path: list[str]
    seals: list[dict[str, Any]]


def get_proof(event_id: UUID) -> Proof:
    """NotFound for an event that is absent or another operator's, Conflict for one that no seal covers yet."""
    found = log.events_by_id([event_id])
    if not found:
        raise NotFound(_("There is no event here with this id."))
    row = found[0]
    chain = list(seals().filter(last_position__gte=row.position))
    if not chain:
        raise Conflict(_("This event is not sealed yet. Ask again in half an hour."))
    rows = log.events_after(chain[0].first_position - 1, upto=chain[0].last_position)
    index = [one.position for one in rows].index(row.position)
    operator_id = current_operator_id()
    leaves = [leaf_hash(leaf_of(operator_id, one)) for one in rows]
    return Proof(
        event=_plain(leaf_content(operator_id, row)),
        index=index,
        path=[step.hex() for step in audit_path(leaves, index)],
        seals=[seal_content(seal) for seal in chain],
    )


def seal_content(seal: Seal) -> dict[str, Any]:
    """What a seal says, as JSON values, and its hash in hex."""
    return _plain({**block_of(seal).content(), "seal_hash": bytes(seal.seal_hash).hex()})


def _plain(content: dict[str, Any]) -> dict[str, Any]:
    """The very values that were hashed, as JSON gives them back."""
    return dict(orjson.loads(canonical(content)))


def get_anchor() -> dict[str, Any]:
    """The newest seal in short, to be kept where whoever holds the database can't change it; NotFound before the first."""
    newest = seals().last()
    if newest is None:
        raise NotFound(_("Nothing of this operator's log is sealed yet."))
    return anchor_of(newest)


def anchor_of(seal: Seal) -> dict[str, Any]:
    content = seal_content(seal)
    return {
        "operator_id": content["operator_id"],
        "number": content["number"],
        "root": content["root"],
        "seal_hash": content["seal_hash"],
        "count": content["total"],
        "position": content["last_position"],
        "sealed_at": content["sealed_at"],
    }
