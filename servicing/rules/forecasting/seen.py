"""What a forecast is made from: one unit as its history and the master data show it, and the operator's own terms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple


class UnitSeen(NamedTuple):
    """One installed unit. Moments are days of the site's calendar (date ordinals) with their fraction of the day; names
    that end in ``_s`` are epoch seconds, those in ``_on`` whole days. Volumes mL, doses mL a day. None: not known.

    ``intervals`` as ``UnitHistory`` keeps them, the latest last. ``next_on``, ``after_on`` and ``opens_on``: the open due
    day, the one after it, and when the first's window opens. ``watch_on`` and ``limit_on``: the days on which the wick
    reaches the operator's own ages of watching and of changing it.
    """

    intervals: Sequence[list[Any]]
    group: str
    site_kind: str
    hardness: str
    liquid: str
    dust: str
    nominal_ml_per_day: float | None
    level_ml: int | None
    level_at: float | None
    charged_at: float | None
    installed_at: float
    wick_since: float | None
    wick_since_s: int | None
    wick_good_s: int | None
    wick_condition: str | None
    wick_checked: float | None
    wick_washed: float | None
    cleaned_at: float | None
    next_on: int | None
    after_on: int | None
    opens_on: int | None
    watch_on: int | None
    limit_on: int | None


@dataclass(frozen=True, slots=True)
class ForecastTerms:
    """The operator's values: what it accepts and what things cost it, in its currency."""

    dry_target: float
    false_alarms_per_1000: float
    wick_change_cost: float
    wick_failure_cost: float
    wick_down_day_cost: float
    wick_wash_cost: float
