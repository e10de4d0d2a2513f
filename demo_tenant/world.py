"""The hidden truth: what goes on inside each unit. Crews see only what ``look`` shows; nothing of it is recorded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from demo_tenant.operators import SITE_KINDS, OperatorPlan
from demo_tenant.streams import Stream

DAY = timedelta(days=1)
MONTH_DAYS = 365.25 / 12
CARTRIDGE_ML = 280.0
WORKING_LEVEL_ML = 15.0  # what the reservoir holds while the cartridge still feeds it
NOMINAL_DOSE = 8.0
DOSE_SIGMA = 0.12
SEASON_SWING = 0.08
WORN_FLOW = 0.35
HALF_CLEARED_FLOW = 0.2
NOT_CURED = 0.25
LEAK_ML_PER_DAY = 30.0
LEAKS_PER_MONTH = 0.0015
EARLY_LEAK = 0.006
DAMAGE_PER_MONTH = 0.0008
TIRED_FROM = 0.88  # share of its life from which a wick looks slow
LOSSES = (("missing", 0.4), ("damaged", 0.4), ("tampered", 0.2))


@dataclass(frozen=True, slots=True)
class Seen:
    """What a person in front of the unit sees; volumes as they are, before the eye rounds them."""

    cartridge_ml: float
    reservoir_ml: float
    drips: bool
    leaks: bool
    wick: str
    loss: str | None


def draw_wick_life_days(plan: OperatorPlan, stream: Stream, age_days: float = 0.0) -> float:
    """Days a wick lasts in all, given that it lasted ``age_days`` already.

    The Weibull distribution cut off below its age: scale ((age/scale)^shape - ln(1-u))^(1/shape), in months.
    """
    lived = (age_days / MONTH_DAYS / plan.wick_scale_months) ** plan.wick_shape
    left = -math.log(1.0 - stream.draw())
    return plan.wick_scale_months * (lived + left) ** (1 / plan.wick_shape) * MONTH_DAYS


def season_factor(at: datetime) -> float:
    """Warm months evaporate and drip more: 1 + 0.08 sin(2 pi (month - 4) / 12)."""
    return 1 + SEASON_SWING * math.sin(2 * math.pi * (at.month - 4) / 12)


class TrueUnit:
    """One unit's inside: dose, wick life, plugging, leaks, loss. Instants are aware UTC, volumes mL."""

    __slots__ = (
        "at", "dose", "dry_at", "half_cleared", "leak_at", "loss", "lost_at", "plan", "plug_at", "stream", "total_ml",
        "wick_ends_at", "wick_fitted_at",
    )  # fmt: skip

    def __init__(
        self, plan: OperatorPlan, site_kind: str, stream: Stream, at: datetime, wick_age_days: float
    ) -> None:
        self.plan = plan
        self.stream = stream
        self.at = at
        self.dose = NOMINAL_DOSE * stream.lognormal(DOSE_SIGMA)
        self.total_ml = CARTRIDGE_ML
        self.dry_at: datetime | None = None
        self.half_cleared = False
        self.plug_at = self._after(plan.plugged_per_month)
        early, early_day = stream.chance(EARLY_LEAK), stream.between(1, 30)
        self.leak_at = at + early_day * DAY if early else self._after(LEAKS_PER_MONTH)
        self.lost_at = self._after(DAMAGE_PER_MONTH * SITE_KINDS[site_kind].damage_factor)
        self.loss = stream.weighted(LOSSES)
        self.wick_fitted_at = at - wick_age_days * DAY
        self.wick_ends_at = self.wick_fitted_at + draw_wick_life_days(plan, stream, wick_age_days) * DAY

    def _after(self, per_month: float) -> datetime:
        return self.at + min(self.stream.poisson_gap(per_month), 1_200) * MONTH_DAYS * DAY

    def advance(self, until: datetime) -> None:
        """Let the liquid run until then: piecewise constant flow between plugging, leak and wick end."""
        turns = {self.plug_at, self.leak_at, self.wick_ends_at, until}
        for turn in sorted(turn for turn in turns if self.at < turn <= until):
            days = (turn - self.at) / DAY
            flow = self._flow(self.at + (turn - self.at) / 2)
            if flow > 0 and self.dry_at is None and flow * days >= self.total_ml:
                self.dry_at = self.at + self.total_ml / flow * DAY
            self.total_ml = max(0.0, self.total_ml - flow * days)
            self.at = turn

    def _flow(self, at: datetime) -> float:
        """The mL a day that leave the unit at an instant."""
        leak = LEAK_ML_PER_DAY if at >= self.leak_at else 0.0
        if at >= self.plug_at:
            return leak
        worn = WORN_FLOW if at >= self.wick_ends_at else 1.0
        return leak + self.dose * season_factor(at) * worn * (HALF_CLEARED_FLOW if self.half_cleared else 1.0)

    def look(self) -> Seen:
        """What shows at the instant the unit was last brought to."""
        reservoir = min(WORKING_LEVEL_ML, self.total_ml)
        plugged = self.at >= self.plug_at
        return Seen(
            cartridge_ml=self.total_ml - reservoir,
            reservoir_ml=reservoir,
            drips=not plugged and not self.half_cleared,
            leaks=self.at >= self.leak_at,
            wick=self._wick_look(),
            loss=self.loss if self.at >= self.lost_at else None,
        )

    def _wick_look(self) -> str:
        life = self.wick_ends_at - self.wick_fitted_at
        if self.at >= self.wick_ends_at:
            return "failed"
        return "slow" if self.at - self.wick_fitted_at > TIRED_FROM * life else "good"

    def exchange(self, *, wiped: bool) -> None:
        """A full cartridge goes in; what it still held went into the fixture, the reservoir keeps its own unless wiped."""
        kept = 0.0 if wiped else min(WORKING_LEVEL_ML, self.total_ml)
        self.total_ml = CARTRIDGE_ML + kept
        self.dry_at = None

    def clear_outlet(self) -> bool:
        """Whether it drips as it should again; at times the scale is only half gone."""
        cured = not self.stream.chance(NOT_CURED)
        self.half_cleared = not cured
        self.plug_at = self._after(self.plan.plugged_per_month)
        return cured

    def stop_leak(self) -> None:
        self.leak_at = self._after(LEAKS_PER_MONTH)

    def change_wick(self) -> None:
        self.wick_fitted_at = self.at
        self.wick_ends_at = self.at + draw_wick_life_days(self.plan, self.stream) * DAY

    def dry_days(self) -> float:
        return (self.at - self.dry_at) / DAY if self.dry_at else 0.0
