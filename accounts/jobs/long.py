"""Long work: chunk after chunk, each a transaction of its own that also stores how far it is.

Whatever ends a worker costs the chunk that it was at: the next one goes on from the cursor. While a chunk is done the row of
its job is locked, so nobody else does it, however long it takes; the lease counts between chunks.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Any
from uuid import UUID

from django.db import Error, connection
from django.db.models import F

from accounts import clock, jobs, origin, tenancy
from accounts.errors import Busy, Conflict, NotFound, Refusal
from accounts.ids import uuid7
from accounts.jobs.kinds import KINDS
from accounts.languages import Manner, _, known_locale, speaking
from accounts.models import Job, LongWork, MachineClient, Member, Operator, WorkFile
from accounts.permissions import PROGRAM_SCOPES, Actor, ActorKind, Role, require, system_actor

__all__ = [
    "PART",
    "SECONDS",
    "Chunk",
    "LongWork",
    "Outcome",
    "Step",
    "WorkFile",
    "begin",
    "drop_file",
    "end",
    "file_found",
    "file_names",
    "file_of",
    "files_of",
    "is_stuck",
    "put_file",
    "run",
    "session_prefix",
    "telling",
]

# For so long one message of the broker does chunks; then the next job is owed, so that others have their turn.
SECONDS = 40
# Files of this name are put aside for the chunks after, and are gone when the work has ended.
PART = "part"
MOST_TOLD = 200  # how often a chunk tells how far it is, at most

log = logging.getLogger(__name__)


class Outcome(StrEnum):
    DONE = "done"
    REFUSED = "refused"
    CANCELLED = "cancelled"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Step:
    """How far a piece of work is after a chunk. ``of`` 0: not known yet. ``cursor``, ``result``: None leaves them as they are."""

    done: int = 0
    of: int = 0
    is_last: bool = False
    cursor: dict[str, Any] | None = None
    result: dict[str, Any] | None = None
    phase: str = ""


Chunk = Callable[[Actor, LongWork], Step]


def begin(
    *, kind: str, ref: str, asked: dict[str, Any], actor: Actor, files: Sequence[tuple[str, bytes]] = ()
) -> LongWork:
    """Owe a piece of long work, in the open scope's transaction; one of this kind and ref that is at hand is returned.

    ``ref`` is a code, which the audit tells: no name and no text of anybody. ``files``: (name, content), numbered from 0.
    One that failed for good is ended, and a new one begun. Forbidden for whoever may not do what it does; Conflict while one
    is being cancelled.
    """
    require(actor, KINDS[kind].permission)
    now = clock.now()
    at_hand = (
        LongWork.objects.select_for_update(no_key=True).filter(kind=kind, ref=ref, ended_at=None).first()
    )
    if at_hand is not None:
        if not is_stuck(at_hand):
            if at_hand.cancel_asked_at is not None:
                raise Conflict(_("It is just being cancelled. Ask for it again in a moment."))
            return at_hand
        end(at_hand, Outcome.FAILED)
    work = LongWork(
        id=uuid7(now),
        kind=kind,
        ref=ref,
        asked=asked,
        asked_by_id=actor.id if actor.kind is ActorKind.MEMBER else None,
        asked_by_program=actor.id if actor.kind is ActorKind.CLIENT else None,
        asked_name=actor.name,
        asked_at=now,
    )
    # Of two at once the second waits for the first, and then has its row.
    LongWork.objects.bulk_create([work], ignore_conflicts=True)
    if not LongWork.objects.filter(id=work.id).exists():
        return LongWork.objects.get(kind=kind, ref=ref, ended_at=None)
    for number, (name, content) in enumerate(files):
        put_file(work, number, name, content)
    _owe(work)
    return work


def _owe(work: LongWork) -> None:
    now = clock.now()
    job = Job(
        id=uuid7(now), kind=work.kind, dedup_key=f"{work.id}/{work.chunks}", ref=str(work.id), run_at=now
    )
    Job.objects.bulk_create([job])
    LongWork.objects.filter(id=work.id).update(job_id=job.id)
    work.job_id = job.id


def is_stuck(work: LongWork) -> bool:
    """Whether its job failed too often or was given up, so that nobody does it until a person says so."""
    job = Job.objects.filter(id=work.job_id).first()
    return job is None or job.quarantined_at is not None or job.given_up_at is not None


def run(operator_id: UUID, job_id: UUID, *, chunk: Chunk, seconds: float = SECONDS) -> bool:
    """The whole body of a task that does long work: chunk after chunk for ``seconds``, then the next job is owed.

    A chunk is done in the name of who asked, with what they may do today, inside an open transaction; commands that it
    calls are part of that. A Refusal ends the work and stays on its row as a sentence; any other fault leaves the chunk
    undone, and the job is tried again. A cancel ends it between chunks. False when another worker does it, or it has ended.
    """
    until = time.monotonic() + seconds
    did_any = False
    while _goes_on(operator_id, job_id, chunk, until):
        did_any = True
    return did_any


def _goes_on(operator_id: UUID, job_id: UUID, chunk: Chunk, until: float) -> bool:
    """One chunk; whether there was one to do."""
    with tenancy.operator_scope(operator_id, read_only=True):
        job = Job.objects.filter(id=job_id, done_at=None, given_up_at=None).first()
        work = _work_of(job) if job else None
        if work is None:
            return False
        actor, manner = _who(work), _manner(operator_id)
    try:
        with speaking(manner), tenancy.one_transaction(actor or system_actor(operator_id), lock_timeout_ms=0):
            return _do_chunk(actor, job_id, chunk, until)
    except Busy as fault:
        _note_fault(operator_id, job_id, fault)
        raise
    except Refusal as refusal:
        with tenancy.writing(actor or system_actor(operator_id), lock_timeout_ms=0):
            locked = Job.objects.select_for_update().get(id=job_id)
            if locked.done_at is None:
                end(work, Outcome.REFUSED, refusal.detail)
        return True
    except Exception as fault:
        _note_fault(operator_id, job_id, fault)
        raise


def _work_of(job: Job) -> LongWork | None:
    """None for a job that was owed in another way, by code of before: it fails no more often than it is tried."""
    try:
        return LongWork.objects.filter(id=UUID(job.ref)).first()
    except ValueError:
        return None


def _do_chunk(actor: Actor | None, job_id: UUID, chunk: Chunk, until: float) -> bool:
    """In the chunk's transaction: do it, store how far the work is, and owe what comes next."""
    job = Job.objects.select_for_update(skip_locked=True).filter(id=job_id, done_at=None).first()
    if job is None:
        return False
    if jobs.begin_attempt(job):
        return True
    origin.trying(job.attempts)
    work = LongWork.objects.get(id=UUID(job.ref))
    if work.ended_at is not None:
        _done(job_id)
        return False
    if work.cancel_asked_at is not None:
        end(work, Outcome.CANCELLED)
        return True
    if actor is None:
        raise NotFound(
            _("Who asked for this is no longer here, so it was ended. Whoever may can ask for it anew.")
        )
    require(actor, KINDS[work.kind].permission)
    step = chunk(actor, work)
    _store(work, step)
    if step.is_last:
        end(work, Outcome.DONE)
    elif time.monotonic() >= until:
        _done(job_id)
        work.chunks += 1
        _owe(work)
    else:
        # It gets on, so what went wrong before counts no longer.
        lease = clock.now() + timedelta(seconds=jobs.LEASE_SECONDS)
        Job.objects.filter(id=job_id).update(attempts=1, lease_until=lease, last_error="")
    return True


def _store(work: LongWork, step: Step) -> None:
    kept: dict[str, Any] = {"cursor": step.cursor, "result": step.result}
    LongWork.objects.filter(id=work.id).update(
        done=step.done,
        of=step.of,
        phase=step.phase,
        chunks=F("chunks") + 1,
        begun_at=work.begun_at or clock.now(),
        **{name: value for name, value in kept.items() if value is not None},
    )


def _done(job_id: UUID | None) -> None:
    Job.objects.filter(id=job_id, done_at=None).update(
        done_at=clock.now(), lease_until=None, quarantined_at=None
    )


def end(work: LongWork, outcome: Outcome, said: str = "") -> None:
    """End a piece of work, in the open scope's transaction: its job is done, and what its chunks put aside is gone.

    A cancelled one keeps no file at all.
    """
    files = WorkFile.objects.filter(work=work)
    (files if outcome is Outcome.CANCELLED else files.filter(name=PART)).delete()
    LongWork.objects.filter(id=work.id, ended_at=None).update(
        ended_at=clock.now(), outcome=outcome, said=said[:2000]
    )
    _done(work.job_id)


def _who(work: LongWork) -> Actor | None:
    """Who asked, with the role or scopes of today; None for one who is here no longer."""
    operator_id = tenancy.current_operator_id()
    if work.asked_by_id is not None:
        member = Member.objects.filter(id=work.asked_by_id, is_active=True).first()
        if member is None:
            return None
        return Actor(operator_id, ActorKind.MEMBER, Role(member.role), member.id, member.name, member.crew_id)
    if work.asked_by_program is not None:
        program = MachineClient.objects.filter(
            operator_id=operator_id, uuid=work.asked_by_program, revoked_at=None
        ).first()
        if program is None:
            return None
        scopes = frozenset(scope for scope in PROGRAM_SCOPES if scope.value in program.scopes)
        return Actor(operator_id, ActorKind.CLIENT, Role.OWNER, program.uuid, program.name, scopes=scopes)
    return system_actor(operator_id)


def _manner(operator_id: UUID) -> Manner:
    operator = Operator.objects.get(id=operator_id)
    return Manner(known_locale(operator.locale), operator.measures)


def _note_fault(operator_id: UUID, job_id: UUID, fault: Exception) -> None:
    log.error("job_failed operator=%s job=%s", operator_id, job_id, exc_info=fault)
    try:
        with tenancy.writing(system_actor(operator_id)):
            # The lease stays: the next attempt waits for it.
            Job.objects.filter(id=job_id).update(last_error=repr(fault)[:2000])
    except Error:
        log.exception("job_fault_not_noted operator=%s job=%s", operator_id, job_id)


def put_file(work: LongWork, number: int, name: str, content: bytes) -> None:
    """Keep a file with a piece of work, in place of the one of this number if there is one; see ``PART``."""
    WorkFile.objects.update_or_create(work=work, number=number, defaults={"name": name, "content": content})


def files_of(work: LongWork, name: str = "") -> Iterator[WorkFile]:
    """Its files by number, one at a time in memory; those of a name, if one is given."""
    files = WorkFile.objects.filter(work=work).order_by("number")
    for number in (files.filter(name=name) if name else files).values_list("number", flat=True):
        yield files.get(number=number)


def file_names(work: LongWork) -> dict[int, str]:
    """The names of its files by number, without their contents."""
    return dict(WorkFile.objects.filter(work=work).order_by("number").values_list("number", "name"))


def drop_file(work: LongWork, number: int) -> None:
    WorkFile.objects.filter(work=work, number=number).delete()


def file_found(work: LongWork, number: int) -> WorkFile | None:
    found: WorkFile | None = WorkFile.objects.filter(work=work, number=number).first()
    return found


def file_of(work: LongWork, number: int) -> WorkFile:
    """NotFound when it is not kept, or no longer."""
    found = file_found(work, number)
    if found is None:
        raise NotFound(
            _("This file is not here, or no longer: files are kept for 30 days after the work has ended.")
        )
    return found


def telling(work: LongWork) -> Callable[[int, int], None]:
    """For a chunk that takes long itself: shows how far it is, by steps done of steps in all.

    What a transaction writes nobody sees until it commits. What PostgreSQL shows of every session at once is the name that
    it gives itself: there it stands while the transaction lasts. Only what moves the bar is told.
    """
    told = -1

    def tell(done: int, of: int) -> None:
        nonlocal told
        step = done * MOST_TOLD // of if of else 0
        if step != told:
            told = step
            with connection.cursor() as cursor:
                name = f"{session_prefix(work.id)}{done}/{of}"
                cursor.execute("SELECT set_config('application_name', %s, true)", [name])

    return tell


def session_prefix(work_id: UUID) -> str:
    """What the name of a session that does this work begins with. A name has at most 63 bytes."""
    return f"work {work_id.hex} "
