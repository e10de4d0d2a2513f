"""How a unit's exchanges kept its due days: which were met in grace, and how long the others stayed past grace."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from servicing.rules.due import DueDay, met_by


@dataclass(frozen=True, slots=True)
class LateSpell:
    """A due day that went past grace: for how many days, the first past grace counted; ``is_over`` once exchanged."""

    days: int
    is_over: bool


@dataclass(frozen=True, slots=True)
class Kept:
    """Of one due day whose grace has ended: whether it was met in time, and on which day it was met at all."""

    due_on: date
    in_time: bool
    met_on: date | None = None


def kept_due_days(
    due_days: Sequence[DueDay], exchanges: Sequence[date], *, since: date, today: date
) -> list[Kept]:
    """The due days from ``since`` on whose grace ended by ``today``, in order, and whether each was met in time.

    One that is still in its grace says nothing yet, met or not: counting those that were met early would flatter.
    """
    met = met_by(due_days, exchanges)
    return [
        Kept(
            due.due_on,
            in_time=due.due_on in met and met[due.due_on] < due.past_grace_from,
            met_on=met.get(due.due_on),
        )
        for due in due_days
        if since <= due.due_on and due.past_grace_from <= today
    ]


def late_spells(
    due_days: Sequence[DueDay], exchanges: Sequence[date], *, served_on: date, since: date, today: date
) -> list[LateSpell]:
    """The spells past grace that began from ``since`` on, in order. ``due_days`` and ``exchanges`` are in order.

    ``served_on`` is the day before the first of ``exchanges`` that served the unit, its installation or an exchange.
    Between two exchanges the oldest unserved due day counts, as on the lookout. A spell that nobody has ended runs up
    to ``today``; one that a standstill cut off stands as not over, up to the standstill's re-open day.
    """
    opens = [due.opens_on for due in due_days]
    spells: list[LateSpell] = []
    for exchange in (*exchanges, None):
        place = bisect_right(opens, served_on)
        spells += _spells_until(due_days[place:], exchange, since, today)
        if exchange is not None:
            served_on = max(served_on, exchange)
    return spells


def _spells_until(
    open_days: Sequence[DueDay], exchange: date | None, since: date, today: date
) -> Iterator[LateSpell]:
    """What went past grace from the first of ``open_days`` until it was served; a re-open day takes its place."""
    until = today if exchange is None else exchange
    while open_days and open_days[0].past_grace_from <= until:
        first_on = open_days[0].past_grace_from
        turn = next(
            (n for n, due in enumerate(open_days) if n and due.is_reopen and due.opens_on <= until), None
        )
        end_on = until if turn is None else max(first_on, open_days[turn].opens_on)
        if first_on >= since:
            yield LateSpell((end_on - first_on).days + 1, is_over=exchange is not None and turn is None)
        if turn is None:
            return
        open_days = open_days[turn:]
