"""How far a rebuild of everything is, for whoever runs the service. Of all operators together, so outside of every scope."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from accounts import jobs

# The sign of a rebuild of everything, and the sign by which it is asked to stop.
REBUILD, CANCEL = "rebuild", "rebuild/cancel"

RUNNING, BROKEN, CANCELLED, DONE = "running", "broken", "cancelled", "done"
# One that works says so every second or two, unless it waits for locks; after so long without a sign it has broken off.
SILENT_SECONDS = 300


@dataclass(frozen=True, slots=True)
class Rebuilding:
    """The rebuild that was begun last. ``done`` of ``of`` operators; ``doing`` is a phrase such as "units, 500 of 9000".

    ``state``: running, broken (it can be gone on with), cancelled, or done. ``at`` by the machine's clock: its last sign.
    """

    state: str
    version: int
    started_at: datetime
    at: datetime
    done: int
    of: int
    events: int
    doing: str


def rebuilding() -> Rebuilding | None:
    """None when none was begun in the last days."""
    sign = jobs.sign(REBUILD)
    if sign is None:
        return None
    told = sign.figures
    state = told["state"]
    if state == RUNNING and sign.age_seconds > SILENT_SECONDS:
        state = BROKEN
    return Rebuilding(
        state=state,
        version=told["version"],
        started_at=datetime.fromisoformat(told["started_at"]),
        at=sign.at,
        done=told["done"],
        of=told["of"],
        events=told["events"],
        doing=told["doing"],
    )
