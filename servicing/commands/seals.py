"""The sealer: blocks of events in the order of their positions, each with its Merkle root, chained, after the fact."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from uuid import UUID

from django.db import connection

from accounts import clock, tenancy
from accounts.jobs import Job, enqueue, perform
from accounts.permissions import Actor
from accounts.tenancy import current_operator_id
from servicing import log
from servicing.log import EventRow
from servicing.models import Seal
from servicing.queries.seals import leaf_of
from servicing.rules.merkle import leaf_hash, root_of
from servicing.rules.seals import (
    MOST_EVENTS_A_BLOCK,
    NOTHING_BEFORE,
    OLDEST_UNSEALED,
    Reason,
    SealedBlock,
)

# Of one transaction: some 20,000 events.
MOST_BLOCKS = 20


@dataclass(frozen=True, slots=True)
class Sealed:
    """How many blocks a run sealed; ``is_more``: it stopped because it had done enough for one transaction."""

    blocks: int
    is_more: bool


def seal(*, actor: Actor, at_once: bool = False) -> int:
    """Seal the operator's full blocks, and the rest once its oldest event is 15 minutes old (``at_once``: in any case).

    Returns how many blocks. Twenty of them a transaction, so nothing waits long; two sealers take turns.
    """
    blocks, is_more = 0, True
    while is_more:
        with tenancy.writing(actor, lock_timeout_ms=0):
            done = seal_blocks(at_once=at_once)
        blocks, is_more = blocks + done.blocks, done.is_more
    return blocks


def seal_blocks(*, at_once: bool = False, most: int = MOST_BLOCKS) -> Sealed:
    """The sealer inside an open scope: at most so many blocks."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_advisory_xact_lock(hashtextextended(%s || '/seal', 0))", [str(current_operator_id())]
        )
    before = Seal.objects.order_by("-number").first()
    for done in range(most):
        # Without the operator's lock, and yet nothing is missed: a position is drawn under that lock, which is held
        # until commit. So whoever sees a position sees every lower one that there will ever be.
        rows = log.events_after(before.last_position if before else 0, limit=MOST_EVENTS_A_BLOCK)
        reason = _reason(rows, at_once=at_once)
        if reason is None:
            return Sealed(done, is_more=False)
        before = _sealed(before, rows, reason)
    return Sealed(most, is_more=True)


def _reason(rows: list[EventRow], *, at_once: bool) -> Reason | None:
    """Why to seal these now; None: there is nothing, or it may still wait for more."""
    if len(rows) == MOST_EVENTS_A_BLOCK:
        return Reason.FULL
    if rows and min(row.received_at for row in rows) <= clock.now() - OLDEST_UNSEALED:
        return Reason.AGE
    return Reason.ASKED if rows and at_once else None


def _sealed(before: Seal | None, rows: list[EventRow], reason: Reason) -> Seal:
    operator_id = current_operator_id()
    block = SealedBlock(
        operator_id=operator_id,
        number=before.number + 1 if before else 1,
        first_position=rows[0].position,
        last_position=rows[-1].position,
        count=len(rows),
        total=(before.total if before else 0) + len(rows),
        root=root_of([leaf_hash(leaf_of(operator_id, row)) for row in rows]),
        previous_hash=bytes(before.seal_hash) if before else NOTHING_BEFORE,
        sealed_at=clock.now(),
        reason=reason,
    )
    made = Seal(**asdict(block), seal_hash=block.hash())
    Seal.objects.bulk_create([made])
    return made


def run_seal(operator_id: UUID, job_id: UUID) -> bool:
    """Sealing as a job: seals and job row in one transaction; a second run finds it done."""
    return perform(operator_id, job_id, _seal_effect)


def _seal_effect(actor: Actor, job: Job) -> None:
    if seal_blocks().is_more:
        last = Seal.objects.order_by("-number").values_list("number", flat=True)[0]
        enqueue(kind=job.kind, dedup_key=f"after/{last}")
