"""Signs of life: when each part of the service last did its work, which says more than that its process is there.

By the machine's own clock, whatever time a trial lives in. No operator's data, so outside of every scope.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import connections

from accounts import clock
from accounts.models import Heartbeat

TICK, RELAY = "tick", "relay"
_WORKER = "worker/"
_ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Sign:
    """A part by its name, when it last did its work, how many seconds ago that is, and what it said of it."""

    name: str
    at: datetime
    age_seconds: float
    figures: dict[str, Any]

    @property
    def nodename(self) -> str:
        """Of a worker, its name as Celery has it; empty for other parts."""
        return self.name.removeprefix(_WORKER) if self.name.startswith(_WORKER) else ""

    @property
    def has_ended(self) -> bool:
        """It was told to end, and did."""
        return bool(self.figures.get(_ENDED))


def of_worker(nodename: str) -> str:
    """The name of a worker's sign."""
    return _WORKER + nodename


def beat(name: str, **figures: Any) -> None:
    """Note that a part has done its work just now, with what it says of it; an older note never takes a newer one's place."""
    with connections["default"].cursor() as cursor:
        cursor.execute(
            "INSERT INTO accounts_heartbeat (name, at, figures) VALUES (%s, %s, %s) ON CONFLICT (name) "
            "DO UPDATE SET at = excluded.at, figures = excluded.figures WHERE accounts_heartbeat.at <= excluded.at",
            [name[:120], clock.machine(), json.dumps(figures)],
        )


def note_end(name: str) -> None:
    """Note that a part has ended as it was told to, so that nobody misses it."""
    beat(name, **{_ENDED: True})


def sign(name: str) -> Sign | None:
    """None for a part that never did anything, or not for days."""
    return next((one for one in _signs(Heartbeat.objects.filter(name=name))), None)


def signs() -> list[Sign]:
    """By name all of them that have not ended."""
    return [one for one in _all() if not one.has_ended]


def _all() -> list[Sign]:
    return _signs(Heartbeat.objects.order_by("name"))


def forget_signs(*, older_than: timedelta) -> Sequence[Sign]:
    """Forget parts that did nothing for so long, such as workers on machines that are gone; gives them."""
    gone = [one for one in _all() if one.age_seconds > older_than.total_seconds()]
    Heartbeat.objects.filter(name__in=[one.name for one in gone]).delete()
    return gone


def _signs(rows: Any) -> list[Sign]:
    now = clock.machine()
    return [Sign(row.name, row.at, (now - row.at).total_seconds(), row.figures) for row in rows]
