"""The day's planned visits with what came of them so far: how far each crew is, and the hours of the day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from uuid import UUID

from servicing.models import PlannedVisit
from servicing.queries.planning import came_of

WAITING = "waiting"


@dataclass(frozen=True, slots=True)
class PlannedHour:
    """A planned visit; ``state`` waiting, or the outcome of the visit that was made. ``begins_at`` in the site's time."""

    crew_id: UUID | None
    begins_at: time | None
    state: str
    code: str
    name: str


@dataclass(frozen=True, slots=True)
class CrewDay:
    """How far a crew is with what is planned for it; ``next`` the first visit that still waits."""

    crew_id: UUID
    crew: str
    done: int
    planned: int
    next: PlannedHour | None


def planned_hours(day: date) -> list[PlannedHour]:
    """Every open planned visit of a day by its time, those without one last."""
    plans = list(
        PlannedVisit.objects.filter(day=day, called_off_at=None).values_list(
            "site_id", "crew_id", "begins_at", "site__code", "site__name"
        )
    )
    came = came_of({plan[0] for plan in plans}, day)
    found = [
        PlannedHour(crew_id, at, came[site_id].outcome if site_id in came else WAITING, code, name)
        for site_id, crew_id, at, code, name in plans
    ]
    return sorted(found, key=lambda one: (one.begins_at is None, one.begins_at or time.min, one.code))


def crew_days(hours: list[PlannedHour], crews: dict[UUID, str]) -> list[CrewDay]:
    """The day of each of these crews that has something planned, in the crews' order; what was called off does not count."""
    days = []
    for crew_id, name in crews.items():
        own = [one for one in hours if one.crew_id == crew_id and one.state != "called_off"]
        if own:
            ahead = [one for one in own if one.state == WAITING]
            days.append(CrewDay(crew_id, name, len(own) - len(ahead), len(own), ahead[0] if ahead else None))
    return days
