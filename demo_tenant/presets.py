"""How large the invented world is and which days it spans."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta

DEFAULT_SEED = "7"


@dataclass(frozen=True, slots=True)
class Preset:
    """``scale`` multiplies an operator's sites; ``sites`` fixes their number instead; ``units_at_most`` caps a site."""

    name: str
    months: int
    scale: float = 1.0
    sites: int | None = None
    units_at_most: int = 60
    site_size: float = 1.0
    crews_scale: float = 1.0


PRESETS = {
    preset.name: preset
    for preset in (
        Preset("tiny", months=4, sites=4, units_at_most=5, crews_scale=0.2),
        # A small world draws somewhat larger sites, so that a crew's day still looks like one.
        Preset("quick", months=18, scale=0.12, site_size=1.28, crews_scale=0.4),
        Preset("full", months=36),
    )
}


@dataclass(frozen=True, slots=True)
class Span:
    """The world's days: ``first_day`` to ``as_of``, both lived through; the play stops at ``ends_at``."""

    first_day: date
    as_of: date
    ends_at: datetime

    @property
    def days(self) -> int:
        return (self.as_of - self.first_day).days + 1


def span_of(preset: Preset, as_of: date) -> Span:
    """The preset's months counted back from ``as_of``.

    The play ends at 20:30 UTC of the last day: in every zone of the demo that instant still lies in it.
    """
    first_day = as_of + timedelta(days=1) - relativedelta(months=preset.months)
    return Span(first_day, as_of, datetime.combine(as_of, time(20, 30), tzinfo=ZoneInfo("UTC")))
