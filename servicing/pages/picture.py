"""The depletion picture of one unit: its level falling from the last filling to the dry date and the days around it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from servicing.models import Outlook
from servicing.rules.due import DueSegment
from servicing.rules.unit import UnitHistory

LEFT, RIGHT, TOP, BOTTOM = 34.0, 352.0, 16.0, 118.0
LABEL, LOW_LABEL, LABEL_WIDTH = 131, 145, 32
_AFTER = timedelta(days=3)
# A late end of the interval farther out than this would squeeze the days that matter.
_FARTHEST = timedelta(days=60)
_AS_GOOD_AS_THE_SAME = 3
_SLOWEST = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Depletion:
    """Coordinates in a box of 360 by 150, and the numbers they stand for."""

    points: str
    band: str
    full_ml: int
    filled_on: date
    dry_on: date
    as_it_drips_on: date
    is_slowing: bool
    earliest_on: date
    latest_on: date
    dry_x: float
    dry_label_y: int
    has_fan: bool
    today_x: float
    today_ml: int
    due_on: date | None
    due_x: float | None
    grace_x: float | None
    grace_width: float
    dose_ml_per_day: Decimal


def depletion(
    history: UnitHistory, outlook: Outlook | None, segment: DueSegment | None, today: date, zone: str
) -> Depletion | None:
    """The picture of an installed unit whose dry date is known; None for any other."""
    if outlook is None or outlook.dry_on is None or outlook.dose_ml_per_day is None:
        return None
    if history.charged_at is None or history.level_at is None or history.level_ml is None:
        return None
    filled_on = _local(history.charged_at, zone)
    full_ml = (history.charge_ml or 0) + history.reservoir_after_ml
    read_on = _local(history.level_at, zone)
    due_on = segment.due_on if segment else None
    earliest_on, latest_on = (
        outlook.dry_earliest_on or outlook.dry_on,
        outlook.dry_latest_on or outlook.dry_on,
    )
    farthest = min(latest_on, outlook.dry_on + _FARTHEST)
    first, last = filled_on, max(filter(None, (farthest, outlook.dry_on, today, due_on))) + _AFTER
    span = max(1, (last - first).days)

    def x(on: date) -> float:
        return round(LEFT + (RIGHT - LEFT) * min(span, max(0, (on - first).days)) / span, 1)

    def y(ml: int) -> float:
        return round(BOTTOM - (BOTTOM - TOP) * ml / max(1, full_ml, history.level_ml or 0), 1)

    as_it_drips_on = read_on + timedelta(
        days=min(3_650, int(history.level_ml / max(outlook.dose_ml_per_day, _SLOWEST)))
    )
    line = [(x(filled_on), y(full_ml)), (x(as_it_drips_on), y(0))]
    if read_on > filled_on:
        line.insert(1, (x(read_on), y(history.level_ml)))
    points = " ".join(f"{px},{py}" for px, py in line)
    band = [line[-2], (x(latest_on), y(0)), (x(earliest_on), y(0))]
    opens_x = x(segment.opens_on) if segment and segment.opens_on else None
    closes_x = x(segment.past_grace_from) if segment and segment.past_grace_from else None
    drained = int(outlook.dose_ml_per_day * (today - read_on).days)
    return Depletion(
        points=points,
        band=" ".join(f"{px},{py}" for px, py in band),
        full_ml=full_ml,
        filled_on=filled_on,
        dry_on=outlook.dry_on,
        as_it_drips_on=as_it_drips_on,
        is_slowing=(outlook.dry_on - as_it_drips_on).days > _AS_GOOD_AS_THE_SAME,
        earliest_on=earliest_on,
        latest_on=latest_on,
        has_fan=earliest_on != latest_on,
        dry_x=x(outlook.dry_on),
        dry_label_y=LOW_LABEL if abs(x(outlook.dry_on) - x(today)) < LABEL_WIDTH else LABEL,
        today_x=x(today),
        today_ml=max(0, history.level_ml - drained),
        due_on=due_on,
        due_x=x(due_on) if due_on else None,
        grace_x=opens_x,
        grace_width=round(closes_x - opens_x, 1) if opens_x is not None and closes_x is not None else 0,
        dose_ml_per_day=outlook.dose_ml_per_day,
    )


def _local(instant: str, zone: str) -> date:
    return datetime.fromisoformat(instant).astimezone(ZoneInfo(zone)).date()
