"""Long work as people and programs see it: how far it is, who asked for it, what became of it. Inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import QuerySet

from accounts.errors import NotFound
from accounts.jobs import long
from accounts.jobs.kinds import KINDS, phase_of, title_of
from accounts.languages import _
from accounts.models import Job, LongWork
from accounts.permissions import Actor

WAITING, RUNNING, CANCELLING = "waiting", "running", "cancelling"
STATES = (WAITING, RUNNING, CANCELLING, *(str(one) for one in long.Outcome))


@dataclass(frozen=True, slots=True)
class Shown:
    """A piece of long work. ``done`` of ``of`` steps; ``of`` 0 until it is known.

    ``state``: waiting for a worker, running, cancelling, or how it ended: done, refused, cancelled, failed; ``said`` is why.
    Failed without an end: it was tried often enough and waits for a person. ``word``: the kind as
    the API names it. ``title`` and ``phase`` are in the language of
    the moment. ``page``: the name of the address of the page that it was asked on. ``leaves_something``: what it has stored
    so far stays when it is cancelled.
    """

    id: UUID
    kind: str
    word: str
    ref: str
    title: str
    state: str
    done: int
    of: int
    phase: str
    said: str
    asked: dict[str, Any]
    asked_name: str
    asked_at: datetime
    begun_at: datetime | None
    ended_at: datetime | None
    result: dict[str, Any]
    page: str
    leaves_something: bool

    @property
    def is_going_on(self) -> bool:
        return self.state in {WAITING, RUNNING, CANCELLING}

    @property
    def may_be_cancelled(self) -> bool:
        return self.ended_at is None and self.state != CANCELLING


def works(actor: Actor) -> QuerySet[LongWork]:
    """The pieces of long work that somebody may follow, the newest first."""
    kinds = [name for name, kind in KINDS.items() if actor.may(kind.permission)]
    return LongWork.objects.filter(kind__in=kinds).order_by("-asked_at", "-id")


def get_work(actor: Actor, work_id: UUID) -> LongWork:
    """NotFound when it is not there or nothing that the actor may follow."""
    found: LongWork | None = works(actor).filter(id=work_id).first()
    if found is None:
        raise NotFound(_("There is no work here with this id."))
    return found


def last_work(kind: str, ref: str = "") -> Shown | None:
    """The piece of work of a kind that was asked for last, of one ref if it is given; None when none is kept."""
    rows = LongWork.objects.filter(kind=kind, **({"ref": ref} if ref else {})).order_by("-asked_at", "-id")
    found = rows.first()
    return shown([found])[0] if found else None


def shown(rows: Iterable[LongWork]) -> list[Shown]:
    """The rows as they are seen, in their order."""
    works = list(rows)
    going = [work for work in works if work.ended_at is None]
    stuck = _stuck(going)
    running = _running(going)
    return [_shown(work, is_stuck=work.id in stuck, running=running.get(work.id)) for work in works]


def _shown(work: LongWork, *, is_stuck: bool, running: tuple[int, int] | None) -> Shown:
    done, of = work.done, work.of
    state = work.outcome
    if not state:
        state = _state(work, is_stuck=is_stuck, is_running=running is not None)
        # What a chunk shows of itself is further on than what was stored before it, but for steps that are not known yet.
        done, of = running if running and running[1] else (done, of)
    kind = KINDS[work.kind]
    return Shown(
        id=work.id,
        kind=work.kind,
        word=kind.word,
        ref=work.ref,
        title=title_of(work),
        state=state,
        done=min(done, of) if of else done,
        of=of,
        phase="" if state == WAITING or work.ended_at else phase_of(work),
        said=work.said,
        asked=work.asked,
        asked_name=work.asked_name,
        asked_at=work.asked_at,
        begun_at=work.begun_at,
        ended_at=work.ended_at,
        result=work.result,
        page=kind.page,
        leaves_something=work.phase in kind.lasting,
    )


def _state(work: LongWork, *, is_stuck: bool, is_running: bool) -> str:
    if is_stuck:
        return str(long.Outcome.FAILED)
    if work.cancel_asked_at is not None:
        return CANCELLING
    return RUNNING if is_running or work.begun_at is not None else WAITING


def _stuck(works: Collection[LongWork]) -> set[UUID]:
    """Those whose job failed too often or was given up: nobody does them until a person says so."""
    if not works:
        return set()
    alive = Job.objects.filter(
        id__in=[work.job_id for work in works], quarantined_at=None, given_up_at=None
    ).values_list("id", flat=True)
    there = set(alive)
    return {work.id for work in works if work.job_id not in there}


def _running(works: Collection[LongWork]) -> dict[UUID, tuple[int, int]]:
    """How far the chunks at work say that they are; see ``long.telling``."""
    if not works:
        return {}
    prefixes = {long.session_prefix(work.id): work.id for work in works}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT application_name FROM pg_stat_activity WHERE split_part(application_name, ' ', 2) = ANY(%s)",
            [[work.id.hex for work in works]],
        )
        names = [name for (name,) in cursor.fetchall()]
    found = {}
    for name in names:
        prefix, _, figures = name.rpartition(" ")
        done, _, of = figures.partition("/")
        if (work_id := prefixes.get(f"{prefix} ")) and done.isdecimal() and of.isdecimal():
            found[work_id] = (int(done), int(of))
    return found
