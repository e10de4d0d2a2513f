"""How the service stands at this moment, for those who run it: what ``/metrics`` tells programs and ``/service/`` people."""

from __future__ import annotations

import platform
import threading
import time
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from itertools import islice
from typing import Any
from uuid import UUID

import redis
from django.conf import settings
from django.db import DatabaseError
from kombu.transport.redis import Channel
from redis.backoff import NoBackoff
from redis.retry import Retry

from accounts import clock, tenancy
from accounts.jobs import RELAY, TICK, Sign, signs
from accounts.permissions import system_actor
from accounts.queries import service
from accounts.queries.service import AtHand, Owed, Server, Swept
from billing.queries import lag as feed
from billing.queries.lag import Untold
from config.supervisor import QUEUES
from servicing.queries import lag, rebuilds
from servicing.queries.lag import Behind, LiveVersion
from servicing.queries.rebuilds import Rebuilding

# Whoever asks sooner gets the last answer: it costs some statements an operator. What takes long is kept for longer, so
# that no more than a tenth of a process's time goes into it, however often it is asked.
KEPT_SECONDS = 5
KEPT_TIMES = 10
_ANSWER_SECONDS = 1.0
# Where kombu keeps what a worker has taken and not yet acknowledged.
_UNACKNOWLEDGED = "unacked"


@dataclass(frozen=True, slots=True)
class OfOperator:
    """One operator: its last sweep, what follows its log, programs to be told, long work, and what it is owed."""

    swept: Swept
    behind: list[Behind]
    untold: Untold
    work: list[AtHand]
    due: int
    quarantined: int
    due_since: datetime | None

    @property
    def slug(self) -> str:
        return self.swept.slug

    @property
    def events_behind(self) -> int:
        """Of the folds; a seal waits on purpose."""
        return sum(one.events for one in self.behind if one.projection != "seals")


@dataclass(frozen=True, slots=True)
class OfKind:
    """The jobs of one kind over all operators."""

    kind: str
    due: int
    out: int
    later: int
    quarantined: int
    due_since: datetime | None


@dataclass(frozen=True, slots=True)
class Queues:
    """Messages that wait in Redis by queue, and those that workers have and have not yet acknowledged; its version."""

    waiting: dict[str, int]
    unacknowledged: int
    version: str


@dataclass(frozen=True, slots=True)
class State:
    """``at`` by the one clock; ``seconds``: how long it took to find out. None: that server does not answer.

    ``signs``: of the parts that work all the time. ``rebuild``: the last rebuild of everything, if one was begun lately.
    """

    at: datetime
    seconds: float
    server: Server | None = None
    queues: Queues | None = None
    operators: list[OfOperator] = field(default_factory=list)
    kinds: list[OfKind] = field(default_factory=list)
    signs: list[Sign] = field(default_factory=list)
    live: LiveVersion | None = None
    rebuild: Rebuilding | None = None


class _Kept:
    lock = threading.Lock()
    state: State | None = None
    until = 0.0


def state() -> State:
    """The state of a moment ago: ``KEPT_SECONDS``, or ``KEPT_TIMES`` as long as it took. Outside of any operator's scope."""
    with _Kept.lock:
        if _Kept.state is None or time.monotonic() > _Kept.until:
            _Kept.state = found()
            _Kept.until = time.monotonic() + max(KEPT_SECONDS, KEPT_TIMES * _Kept.state.seconds)
        return _Kept.state


def found() -> State:
    """The state as it is now."""
    began = time.perf_counter()
    told: dict[str, Any] = {"queues": queues()}
    try:
        owed = service.owed()
        told |= {
            "server": service.server(),
            "kinds": _by_kind(owed),
            "signs": [one for one in signs() if one.name in {TICK, RELAY} or one.nodename],
            "rebuild": rebuilds.rebuilding(),
            "live": lag.live_version(),
            "operators": _operators(owed),
        }
    except DatabaseError:
        told["server"] = None
    return State(at=clock.now(), seconds=time.perf_counter() - began, **told)


def _operators(owed: list[Owed]) -> list[OfOperator]:
    """One transaction an operator: nobody but the operator's own scope may look at its log."""
    of: dict[UUID, list[Owed]] = {}
    for one in owed:
        of.setdefault(one.operator_id, []).append(one)
    operators = []
    for swept in service.last_done_of_everyone(lag.SWEEP):
        own = of.get(swept.operator_id, [])
        with tenancy.reading(system_actor(swept.operator_id)):
            read = (lag.behind(), feed.untold(), service.work_at_hand())
        operators.append(
            OfOperator(
                swept,
                *read,
                due=sum(one.due for one in own),
                quarantined=sum(one.quarantined for one in own),
                due_since=_oldest(own),
            )
        )
    return operators


def _by_kind(owed: list[Owed]) -> list[OfKind]:
    of: dict[str, list[Owed]] = {}
    for one in owed:
        of.setdefault(one.kind, []).append(one)
    return [
        OfKind(
            kind,
            due=sum(one.due for one in rows),
            out=sum(one.out for one in rows),
            later=sum(one.later for one in rows),
            quarantined=sum(one.quarantined for one in rows),
            due_since=_oldest(rows),
        )
        for kind, rows in sorted(of.items())
    ]


def _oldest(rows: list[Owed]) -> datetime | None:
    return min((one.due_since for one in rows if one.due_since), default=None)


@cache
def _redis(url: str) -> redis.Redis:
    # Once anew: a connection from before a restart of the server only shows that it is dead when it is used.
    return redis.Redis.from_url(
        url,
        socket_timeout=_ANSWER_SECONDS,
        socket_connect_timeout=_ANSWER_SECONDS,
        retry=Retry(NoBackoff(), 1),
    )


def queues() -> Queues | None:
    """None while Redis does not answer. Of a queue kombu keeps a list for each step of priority."""
    names = QUEUES.split(",")
    try:
        with _redis(settings.REDIS_URL).pipeline(transaction=False) as asked:
            for name in names:
                for step in Channel.priority_steps:
                    asked.llen(f"{settings.REDIS_PREFIX}{name}{f'{Channel.sep}{step}' if step else ''}")
            asked.hlen(settings.REDIS_PREFIX + _UNACKNOWLEDGED)
            asked.info("server")
            *waiting, unacknowledged, server = asked.execute()
    except redis.RedisError:
        return None
    version = str(server.get("valkey_version") or server.get("redis_version", ""))
    lists = iter(waiting)
    of_each = {name: sum(islice(lists, len(Channel.priority_steps))) for name in names}
    return Queues(of_each, unacknowledged, version)


def work_by_kind(found_state: State) -> Counter[str]:
    return Counter(work.kind for one in found_state.operators for work in one.work)


@cache
def versions() -> dict[str, str]:
    """Of the product and what it runs on, as far as this process knows them."""
    product = tomllib.loads((settings.BASE_DIR / "pyproject.toml").read_text(encoding="utf-8"))
    return {"wickround": product["project"]["version"], "python": platform.python_version()}
