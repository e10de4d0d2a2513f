"""Where the work at hand came from: the request and its address, the page or operation, or the command or job.

Set once by whatever lets the work in (the middleware, a worker, a command), and read where it is noted: in the audit and the log.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from uuid import UUID


@dataclass(frozen=True, slots=True)
class Origin:
    """``door``: the name of the page or operation, of a job's kind, or of a command; "" while it is not known.

    ``agent``: what the program that asks says it is (User-Agent), cut to what is kept of it. ``operator``: the address
    under which an operator's pages stand, where the work came by one. ``kind`` and ``actor_id``: who acts, for the
    operator of ``operator_id``; "" and None while it is not known. ``job_id`` and ``attempt``: the job that is done, and
    which time it is tried; 0 while that is not known.
    """

    request_id: UUID | None = None
    address: str = ""
    door: str = ""
    agent: str = ""
    operator: str = ""
    kind: str = ""
    actor_id: UUID | None = None
    operator_id: UUID | None = None
    job_id: UUID | None = None
    attempt: int = 0

    @property
    def who(self) -> str:
        """Kind and id of whoever acts, and the operator's id: "member:...@..."; "" while it is not known."""
        return f"{self.kind}:{self.actor_id or ''}@{self.operator_id}" if self.kind else ""


_NOWHERE = Origin()
_origin: ContextVar[Origin | None] = ContextVar("wickround_origin", default=None)


def current() -> Origin:
    return _origin.get() or _NOWHERE


@contextmanager
def coming_from(origin: Origin) -> Iterator[None]:
    token = _origin.set(origin)
    try:
        yield
    finally:
        _origin.reset(token)


def at_door(name: str, operator: str = "") -> None:
    """Say which door this work has come through, once that is known, and under which operator's address."""
    _origin.set(replace(current(), door=name, operator=operator))


def acting(kind: str, actor_id: UUID | None, operator_id: UUID) -> None:
    """Say who this work is done by, and for which operator."""
    _origin.set(replace(current(), kind=str(kind), actor_id=actor_id, operator_id=operator_id))


def trying(attempt: int) -> None:
    """Say which time the job at hand is tried, once its row is read; outside of any work it is nobody's."""
    if _origin.get() is not None:
        _origin.set(replace(current(), attempt=attempt))
