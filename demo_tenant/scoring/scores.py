"""Figures held against their targets. Pure functions of arrays; a figure that cannot be had is a miss, not a pass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_tenant.scoring.truth import LATER

Floats = NDArray[np.float64]

COVERAGE = (0.75, 0.85)
WIDTH_RATIO = 1.15
RELIABLE_WITHIN = 0.03
RELIABLE_FROM = 200
ERROR_RATIO = 0.5


@dataclass(frozen=True, slots=True)
class Score:
    """One figure with what it is held against; ``of`` says how many cases it rests on, ``detail`` what lies beneath."""

    name: str
    figure: float
    target: str
    ok: bool
    of: int
    detail: dict[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Plain values; null for a figure that is no number because there were no cases."""
        return {
            "name": self.name,
            "figure": round(self.figure, 4) if math.isfinite(self.figure) else None,
            "target": self.target,
            "ok": self.ok,
            "of": self.of,
            **self.detail,
        }


def coverage(name: str, earliest: Floats, latest: Floats, dry_days: Floats) -> Score:
    """How often the unit ran dry inside its 80 % interval; ``dry_days`` inf: later than any interval says."""
    inside = (earliest <= dry_days) & (dry_days <= latest)
    share = float(inside.mean()) if len(inside) else 0.0
    low, high = COVERAGE
    beside = {
        "before": round(float((dry_days < earliest).mean()), 4) if len(inside) else None,
        "after": round(float((dry_days > latest).mean()), 4) if len(inside) else None,
    }
    return Score(name, share, f"{low:.2f} to {high:.2f}", low <= share <= high, len(inside), beside)


def width(name: str, own: tuple[Floats, Floats], oracle: tuple[Floats, Floats]) -> Score:
    """Mean width of the intervals over the oracle's, each end no later than the days after which all is later."""
    mine = np.minimum(own[1], LATER) - np.minimum(own[0], LATER)
    best = np.minimum(oracle[1], LATER) - np.minimum(oracle[0], LATER)
    ratio = float(mine.mean() / best.mean()) if len(mine) and best.mean() > 0 else float("inf")
    beside = {
        "days": round(float(mine.mean()), 3),
        "oracle_days": round(float(best.mean()), 3),
        "median_days": round(float(np.median(mine)), 3),
        "oracle_median_days": round(float(np.median(best)), 3),
    }
    return Score(name, ratio, f"at most {WIDTH_RATIO}", ratio <= WIDTH_RATIO, len(mine), beside)


def reliability(name: str, chances: Floats, happened: NDArray[np.bool_]) -> Score:
    """The greatest gap, over tenths of the stated chance with enough cases, between stated and seen frequency."""
    tenth = np.minimum((chances * 10).astype(int), 9)
    rows = []
    for number in range(10):
        own = tenth == number
        count = int(own.sum())
        if count:
            said, seen = float(chances[own].mean()), float(happened[own].mean())
            rows.append({"tenth": number, "n": count, "said": round(said, 4), "seen": round(seen, 4)})
    gaps = [abs(row["said"] - row["seen"]) for row in rows if row["n"] >= RELIABLE_FROM]
    worst = max(gaps, default=float("inf"))
    target = f"within {RELIABLE_WITHIN} in each tenth of {RELIABLE_FROM} or more"
    return Score(name, worst, target, worst <= RELIABLE_WITHIN, len(chances), {"tenths": rows})


def median_error(name: str, median: Floats, nominal: Floats, dry_days: Floats) -> Score:
    """Median absolute error of the dry date over that of counting days at the nominal dose; days after LATER are cut."""
    truth = np.minimum(dry_days, LATER)
    mine = float(np.median(np.abs(np.minimum(median, LATER) - truth))) if len(truth) else float("inf")
    counted = float(np.median(np.abs(nominal - truth))) if len(truth) else 0.0
    ratio = mine / counted if counted > 0 else float("inf")
    beside = {"days": round(mine, 3), "nominal_days": round(counted, 3)}
    return Score(name, ratio, f"at most {ERROR_RATIO}", ratio <= ERROR_RATIO, len(truth), beside)


def at_least(name: str, hits: int, cases: int, least: float, **detail: Any) -> Score:
    share = hits / cases if cases else 0.0
    return Score(name, share, f"at least {least}", share >= least, cases, detail)


def table(scores: Sequence[Score]) -> str:
    """The scores for people, a line each, and the tenths of a reliability table beneath theirs."""
    lines = [f"{'':4}{'score':<44}{'figure':>10}  {'n':>9}  target"]
    for score in scores:
        mark = "ok" if score.ok else "MISS"
        lines.append(f"{mark:<5}{score.name:<43}{score.figure:>10.4f}  {score.of:>9,}  {score.target}")
        for name, value in score.detail.items():
            if isinstance(value, list):
                lines += [f"{'':9}{row}" for row in value]
            else:
                lines.append(f"{'':9}{name}: {value}")
    return "\n".join(lines)
