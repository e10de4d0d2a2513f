"""When a customer is reminded of an overdue document: by steps, each once, never two at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

# Days past due of each step, where a legal entity names none. Common practice, no source.
DEFAULT_DAYS = (7, 21, 35)


@dataclass(frozen=True, slots=True)
class Reminded:
    """A step that went out, and on which day."""

    step: int
    on: date


def step_due(due_on: date, today: date, days: Sequence[int], last: Reminded | None = None) -> int | None:
    """The step (from 1) to be sent on ``today``, or None.

    Step n falls due ``days[n - 1]`` days after the day that payment was due, yet never sooner after the step before than
    the days between the two: when reminders were not sent for a while, they go on one by one.
    """
    step = 1 if last is None else last.step + 1
    if step > len(days) or (today - due_on).days < days[step - 1]:
        return None
    if last is not None and (today - last.on).days < days[step - 1] - days[step - 2]:
        return None
    return step
