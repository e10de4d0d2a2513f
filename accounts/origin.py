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

    ``agent``: what the program that asks says it is (User-Agent), cut to what is kept of it. ``who``: kind and id of
    whoever acts, and the operator's id; "" while it is not known.
    """

    request_id: UUID | None = None
    address: str = ""
    door: str = ""
    agent: str = ""
    who: str = ""


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


def at_door(name: str) -> None:
    """Say which door this work has come through, once that is known."""
    _origin.set(replace(current(), door=name))


def acting(kind: str, actor_id: UUID | None, operator_id: UUID) -> None:
    """Say who this work is done by, and for which operator."""
    _origin.set(replace(current(), who=f"{kind}:{actor_id or ''}@{operator_id}"))
