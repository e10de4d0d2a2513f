"""Invented histories of units that were exchanged once a month for a year and a half, as the fold would leave them."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np

from servicing.rules.balance import KEPT_INTERVALS
from servicing.rules.unit import UnitHistory, instant_text

AS_OF = datetime(2026, 11, 24, 3, 0, tzinfo=UTC)
CHARGE_ML, RESERVOIR_ML, EYE_STEP_ML = 250, 20, 10
NOMINAL_ML_PER_DAY = 7
SPREAD, NOISE = 0.15, 0.10
WICK_LIFE_DAYS, WICK_SHAPE = 600.0, 2.0
DAY_S = 86_400


def histories(draw: np.random.Generator, number: int) -> list[dict[str, Any]]:
    """That many; cartridge and station are left to be named. Some found dry, unread, repaired, or with a slow wick."""
    return [_history(draw).to_json() for _ in range(number)]


def _history(draw: np.random.Generator) -> UnitHistory:
    rate = NOMINAL_ML_PER_DAY * math.exp(draw.normal(0, SPREAD))
    gaps = np.rint(draw.uniform(27, 34, KEPT_INTERVALS) * DAY_S).astype(int)
    latest = int(AS_OF.timestamp()) - int(draw.integers(1, 30) * DAY_S)
    ends = latest - np.append(np.cumsum(gaps[::-1])[-2::-1], 0)
    used = rate * gaps / DAY_S * np.exp(draw.normal(0, NOISE, KEPT_INTERVALS))
    marks = np.where(draw.random(KEPT_INTERVALS) < 0.03, draw.choice(list("wols"), KEPT_INTERVALS), "")
    installed = int(ends[0] - gaps[0])
    history = UnitHistory(
        installed_at=_text(installed),
        ever_installed=True,
        charge_ml=CHARGE_ML,
        charged_at=_text(latest),
        reservoir_after_ml=RESERVOIR_ML,
        last_exchange_at=_text(latest),
        level_ml=CHARGE_ML + RESERVOIR_ML,
        level_at=_text(latest),
        intervals=[
            _interval(int(end), int(gap), float(one), str(mark))
            for end, gap, one, mark in zip(ends, gaps, used, marks, strict=True)
        ],
        reservoir_cleaned_at=_text(int(ends[-6])),
        last_key=[_text(latest), str(UUID(int=1)), 1, str(UUID(int=2))],
    )
    history.left_at_exchange_ml = history.intervals[-1][3]
    _wicks(history, draw, installed, ends)
    return history


def _interval(end: int, gap: int, used_ml: float, mark: str) -> list[Any]:
    left = max(0.0, CHARGE_ML + RESERVOIR_ML - used_ml)
    reservoir = min(float(RESERVOIR_ML), left)
    read = round((left - reservoir) / EYE_STEP_ML) * EYE_STEP_ML
    return [end, gap, CHARGE_ML + RESERVOIR_ML, read, round(reservoir / 5) * 5, 0, mark]


def _wicks(history: UnitHistory, draw: np.random.Generator, installed: int, ends: Any) -> None:
    """Wicks changed when found failed, each looked at at every visit."""
    born = installed
    while True:
        dies = born + WICK_LIFE_DAYS * DAY_S * draw.weibull(WICK_SHAPE)
        seen = ends[ends > born]
        good, failed = seen[seen < dies], seen[seen >= dies]
        last_good = int(good[-1]) if len(good) else born
        if not len(failed):
            break
        history.wick_lives.append([born, last_good, int(failed[0]), int(failed[0])])
        born = int(failed[0])
    history.wick_since = _text(born)
    history.wick_good_s = last_good
    history.wick_checked_at = _text(last_good)
    history.wick_condition = "slow" if draw.random() < 0.1 else "good"


def _text(epoch_s: int) -> str:
    return instant_text(datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=epoch_s))
