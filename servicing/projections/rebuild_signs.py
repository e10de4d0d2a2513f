"""A rebuild of everything says how far it is, where everybody of the service may read it, and sees when it is to stop."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from accounts import jobs
from accounts.errors import Conflict
from servicing.queries.rebuilds import BROKEN, CANCEL, CANCELLED, DONE, REBUILD, RUNNING

SECONDS_BETWEEN_SIGNS = 1.0


class Cancelled(Conflict):
    """Somebody asked the rebuild to stop."""

    def __init__(self) -> None:
        super().__init__("The rebuild was cancelled. The live tables are as they were.")


@dataclass(slots=True)
class Signs:
    """What one rebuild says. ``say`` gets each phrase too. Call ``doing`` outside of transactions only."""

    version: int
    started_at: datetime
    say: Callable[[str], None]
    of: int = 0
    done: int = 0
    events: int = 0
    _last: str = ""
    _told_at: float = field(default=-SECONDS_BETWEEN_SIGNS)

    def doing(self, phrase: str) -> None:
        """Say what is being done; raises Cancelled when somebody asked for it since this rebuild began."""
        self.say(phrase)
        self._last = phrase
        if time.monotonic() - self._told_at >= SECONDS_BETWEEN_SIGNS:
            self.tell(RUNNING)
            asked = jobs.sign(CANCEL)
            if asked is not None and asked.figures.get("version") == self.version:
                raise Cancelled

    def tell(self, state: str) -> None:
        self._told_at = time.monotonic()
        jobs.beat(
            REBUILD,
            state=state,
            version=self.version,
            started_at=self.started_at.isoformat(),
            done=self.done,
            of=self.of,
            events=self.events,
            doing=self._last,
        )

    def ended(self, fault: BaseException | None) -> None:
        self.tell(DONE if fault is None else CANCELLED if isinstance(fault, Cancelled) else BROKEN)


def ask_to_stop(version: int) -> None:
    jobs.beat(CANCEL, version=version)


def forget_what_was_asked() -> None:
    """The number of one that was cancelled is given again."""
    jobs.beat(CANCEL, version=None)
