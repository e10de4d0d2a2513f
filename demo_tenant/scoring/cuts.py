"""Days in the story on which every hanging unit is forecast with what was known then, each beside its truth."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from uuid import UUID

from dateutil.relativedelta import relativedelta

from demo_tenant.scoring.known import Knowledge
from demo_tenant.scoring.truth import Onlooker, Sight, days_until_dry
from demo_tenant.story import Story
from servicing.queries.rehearsal import Heard, UnitHistory

MONTHS = 12


@dataclass(frozen=True, slots=True)
class Case:
    """A unit that hangs on a cut day, as known then, and the last touch that its history tells of.

    ``dry_days``: from that touch until it would run dry, by the truth; inf where that is later than anybody asks.
    """

    unit_id: UUID
    history: UnitHistory
    dry_days: float


@dataclass(frozen=True, slots=True)
class Cut:
    """A day's beginning in UTC, the units to forecast, and the histories of all units that were ever installed by then."""

    at: datetime
    cases: list[Case]
    histories: dict[UUID, UnitHistory]


def cut_days(as_of: date, first_day: date) -> list[date]:
    """The first days of the last twelve months, up to ``as_of``, by which the world is a month old, oldest first."""
    latest = as_of.replace(day=1)
    days = [latest - relativedelta(months=back) for back in range(MONTHS)]
    return sorted(day for day in days if day >= first_day + relativedelta(months=1))


def cuts_of(story: Story, onlooker: Onlooker, heard: dict[UUID, list[Heard]]) -> Iterator[Cut]:
    """The cuts in order of time, ``heard`` as ``heard_of`` gives it. The histories are the cut's until the next is asked for."""
    span = story.setting.span
    knowledge = {unit_id: Knowledge(own) for unit_id, own in heard.items()}
    received = {unit_id: _touches_received(own) for unit_id, own in heard.items()}
    for day in cut_days(span.as_of, span.first_day):
        at = datetime.combine(day, time(0), tzinfo=UTC)
        histories = {unit_id: known.upto(at) for unit_id, known in knowledge.items()}
        cases = [
            Case(unit_id, history, days_until_dry(last.after, next_at))
            for unit_id, history in histories.items()
            if history.is_installed
            for last, next_at in _last_known(onlooker.sights.get(unit_id, []), received[unit_id], at)
        ]
        yield Cut(at, cases, {unit_id: one for unit_id, one in histories.items() if one.ever_installed})


def _touches_received(heard: list[Heard]) -> dict[UUID, datetime]:
    """When all of each touch's events had been received: in this order, the last of them counts."""
    return {one.touch_id: one.received_at for one in heard if one.touch_id is not None and not one.is_ahead}


def _last_known(
    sights: list[Sight], received: dict[UUID, datetime], at: datetime
) -> Iterator[tuple[Sight, datetime | None]]:
    """The latest touch before a cut and when the next was; none where the operator had not heard all of it yet."""
    number = bisect_right(sights, at, key=lambda sight: sight.at)
    if number and received.get(sights[number - 1].touch_id, at) < at:
        yield sights[number - 1], sights[number].at if number < len(sights) else None
