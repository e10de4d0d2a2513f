"""From forecasts to what is stored of each unit: plain values, dates in the site's calendar, and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from servicing.rules.cleaning import clean_due_on
from servicing.rules.dose.readings import RAN_DRY, READ
from servicing.rules.drift import HIGH, LOW, drift_advice
from servicing.rules.forecasting.dry import NOON, DryForecast, FleetRead, dry_forecast
from servicing.rules.forecasting.fits import Fits
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen
from servicing.rules.forecasting.wicks import WickForecast, hazard_per_day, wick_forecast, wicks_of
from servicing.rules.replacement import CHANGE, WAIT

Row = dict[str, Any]

# A cartridge that still holds so much of what was in it after so many days tells of a wick that does not transfer.
LEFT_SHARE = 0.60
LEFT_AFTER_DAYS = 20.0
# A reading so far below what was expected leaves open whether the wick still worked.
DOUBTFUL_Z = -2.0
WITHIN_REACH = 366 * 60
SECONDS_PER_DAY = 86_400


class Advice(NamedTuple):
    """What to do about a wick (wait, wash, change; "" none), why, from which day on (None: from none), what it saves."""

    action: str
    reason: str
    from_on: int | None
    saving: float | None = None


NO_ADVICE = Advice("", "", None)


def outlook_rows(
    units: Sequence[UnitSeen], fits: Fits, terms: ForecastTerms, read: FleetRead | None = None
) -> list[Row]:
    """The outlook of each unit, in their order: the columns of the table without ids, ``dry_soon_from`` and
    ``wick_since_on``, which need no forecast. A unit's row is the same whatever units are beside it.

    ``drift_since_s`` stands for ``drift_since_on``: when the first exchange that the drift shows in was, epoch seconds.
    Without a fit of the operator's own the priors answer, and ``basis`` says so.
    """
    if not units:
        return []
    wicks = wicks_of(units, fits.wick)
    dry = dry_forecast(units, fits.dose, terms, hazard_per_day(wicks, units), read)
    wick = wick_forecast(wicks, units, terms, _is_sound(dry))
    drifts = _drifts(units, dry)
    table = _Table(units, fits, dry, wick)
    return [table.row(place, drifts[place]) for place in range(len(units))]


class _Drift(NamedTuple):
    word: str
    advice: str
    since_s: int | None


_STEADY = _Drift("", "", None)


class _Table:
    """The arrays as lists, which are read value by value far faster."""

    def __init__(self, units: Sequence[UnitSeen], fits: Fits, dry: DryForecast, wick: WickForecast) -> None:
        self.units = units
        self.fits = fits
        self.dose, self.mean = _listed(dry.dose, 3), _listed(dry.posterior.mean, 6)
        self.sd = _listed(np.sqrt(dry.posterior.var), 6)
        self.n: list[int] = dry.posterior.n.tolist()
        self.median, self.earliest, self.latest = (
            one.tolist() for one in (dry.median, dry.earliest, dry.latest)
        )
        self.emptied, self.target = dry.emptied.tolist(), dry.target.tolist()
        self.chance_dry, self.chance_wick = _listed(dry.chance, 4), _listed(wick.chance, 4)
        decision = wick.decision
        self.action: list[int] = decision.action.tolist()
        self.after = _listed(decision.p_fail, 4)
        self.saving = _listed(decision.saving, 2)
        self.watch_age: list[float] = decision.watch_age_days.tolist()

    def row(self, place: int, drift: _Drift) -> Row:
        one = self.units[place]
        is_known = one.nominal_ml_per_day is not None
        advice = _wick_advice(
            one, drift, None if self.fits.wick.is_prior else self._cost_advice(place, one), one.limit_on
        )
        return {
            "dose_ml_per_day": self.dose[place] if is_known else None,
            **(self._dry(place, one) if is_known else _NOT_DRY),
            "drift": drift.word,
            "drift_since_s": drift.since_s,
            "drift_advice": drift.advice,
            "wick_watch_from": _iso(_first(advice.from_on, one.watch_on, is_prior=self.fits.wick.is_prior)),
            "wick_chance": self.chance_wick[place],
            "wick_advice": advice.action,
            "wick_reason": advice.reason,
            "wick_saving": advice.saving,
            "clean_due_on": _clean_due(one),
            "basis": self._basis(place, one),
        }

    def _dry(self, place: int, one: UnitSeen) -> Row:
        at = one.level_at
        if one.level_ml is None or at is None:
            return _NOT_DRY
        latest_on = math.floor(at + self.target[place] - NOON)
        return {
            "dry_on": _iso(math.floor(at + self.median[place])),
            "dry_earliest_on": _iso(math.floor(at + self.earliest[place])),
            "dry_latest_on": _iso(math.floor(at + self.latest[place])),
            "empty_on": _iso(_whole(at + self.emptied[place])),
            "chance_dry": self.chance_dry[place],
            "latest_on": _iso(latest_on),
            "dry_advice": _dry_advice(one, latest_on),
        }

    def _cost_advice(self, place: int, one: UnitSeen) -> Advice:
        """What pays at the next visit, by the operator's own curve."""
        born = one.installed_at if one.wick_since is None else one.wick_since
        age = self.watch_age[place]
        from_on = math.floor(born) + int(age) if age < WITHIN_REACH else None
        seen = _seen_worn(one)
        is_worn = seen is not None
        if from_on is not None and seen is not None:
            # Seen slow, it is to be changed earlier than it was before anybody saw it.
            from_on = max(from_on, math.floor(seen))
        action = self.action[place]
        if action == WAIT:
            return Advice("wait", "cost", from_on, self.saving[place])
        word = "change" if action == CHANGE else "wash"
        return Advice(word, "condition" if is_worn else "cost", from_on, self.saving[place])

    def _basis(self, place: int, one: UnitSeen) -> Row:
        dose, wick = self.fits.dose, self.fits.wick
        return {
            "n": self.n[place],
            "mean": self.mean[place],
            "sd": self.sd[place],
            "n_operator": dose.fit.readings,
            "group": one.group,
            "dose_method": dose.fit.method,
            "wick_method": wick.life.method,
            "wick_failures": wick.life.based_on_failures,
            "wick_prior": wick.is_prior,
            "prior": dose.is_prior,
            "next_on": _iso(one.next_on),
            "after_on": _iso(one.after_on),
            "wick_chance_after": self.after[place],
        }


_NOT_DRY: Row = {
    **dict.fromkeys(("dry_on", "dry_earliest_on", "dry_latest_on", "empty_on", "chance_dry", "latest_on")),
    "dry_advice": "",
}


def _wick_advice(one: UnitSeen, drift: _Drift, by_cost: Advice | None, limit_on: int | None) -> Advice:
    """The first that holds: much was left over, seen failed, too little comes through, the age limit, what pays.

    Whatever it is, it is advised from the first day that any of them gives.
    """
    found = [advice for advice in (_left_over(one), _seen_failed(one), _by_drift(one, drift)) if advice]
    if limit_on is not None and one.next_on is not None and limit_on <= one.next_on:
        found.append(Advice("change", "limit", limit_on))
    if by_cost is not None:
        found.append(by_cost)
    days = [advice.from_on for advice in found if advice.from_on is not None]
    if limit_on is not None:
        days.append(limit_on)
    first = found[0] if found else NO_ADVICE
    return first._replace(from_on=min(days, default=None))


def _left_over(one: UnitSeen) -> Advice | None:
    """Much of the liquid was still there at the last exchange, and nobody has done anything about the wick since."""
    if not one.intervals or one.charged_at is None:
        return None
    _, seconds, available, left, _, _, marks = one.intervals[-1]
    if left is None or left < LEFT_SHARE * available or seconds < LEFT_AFTER_DAYS * SECONDS_PER_DAY:
        return None
    if "l" in marks or "o" in marks or _is_seen_to(one):
        return None
    of_two = one.intervals[-2:]
    washed = _is_washed_within(one, sum(row[1] for row in of_two))
    return Advice("change" if washed else "wash", "left_over", math.floor(one.charged_at))


def _seen_worn(one: UnitSeen) -> float | None:
    """When the wick was seen slow, or washed for that with no look since; None of any other."""
    if one.wick_condition == "slow":
        return one.wick_checked
    return one.wick_washed if one.wick_condition is None else None


def _seen_failed(one: UnitSeen) -> Advice | None:
    if one.wick_condition != "failed" or one.wick_checked is None:
        return None
    return Advice("change", "condition", math.floor(one.wick_checked))


def _by_drift(one: UnitSeen, drift: _Drift) -> Advice | None:
    if drift.word != "low" or one.charged_at is None:
        return None
    return Advice(drift.advice, "drift", math.floor(one.charged_at))


def _is_seen_to(one: UnitSeen) -> bool:
    """Whether the wick was washed or changed on the day of the last exchange or later."""
    day = math.floor(one.charged_at or one.installed_at)
    washed, since = one.wick_washed, one.wick_since
    return (washed is not None and washed >= day) or (since is not None and since >= day)


def _is_washed_within(one: UnitSeen, seconds: float) -> bool:
    """Whether the wick was washed in so long a time before the last exchange, or since."""
    if one.wick_washed is None or one.charged_at is None:
        return False
    return one.wick_washed >= math.floor(one.charged_at - seconds / SECONDS_PER_DAY)


def _is_sound(dry: DryForecast) -> NDArray[np.bool_]:
    kind, z = dry.readings.kind[:, -1], dry.posterior.z[:, -1]
    return ((kind == READ) | (kind == RAN_DRY)) & (z > DOUBTFUL_Z) & (dry.drift.finding != LOW)


def _drifts(units: Sequence[UnitSeen], dry: DryForecast) -> list[_Drift]:
    found = [_STEADY] * len(units)
    finding, since = dry.drift.finding, dry.drift.since
    off = np.flatnonzero(finding).tolist()
    washed = [
        bool(units[place].intervals) and _is_washed_within(units[place], units[place].intervals[-1][1])
        for place in off
    ]
    advice = drift_advice(finding[off], washed)
    slots = dry.readings.slots
    for place, to_do in zip(off, advice, strict=True):
        one = units[place]
        if finding[place] == LOW and _is_seen_to(one):
            continue  # something was done about it; the next exchange tells whether it helped
        row = one.intervals[int(since[place]) - slots + len(one.intervals)]
        found[place] = _Drift("high" if finding[place] == HIGH else "low", to_do, int(row[0]))
    return found


def _dry_advice(one: UnitSeen, latest_on: int) -> str:
    if one.next_on is None or one.opens_on is None:
        return ""
    if latest_on >= one.next_on:
        return "in_time"
    return "sooner" if latest_on >= one.opens_on else "larger"


def _clean_due(one: UnitSeen) -> str:
    cleaned = one.cleaned_at
    # Where the unit hung before the log began, its last cleaning may lie before its beginning here.
    since = one.installed_at if cleaned is None else min(one.installed_at, cleaned)
    return _clean_due_on(math.floor(since), None if cleaned is None else math.floor(cleaned), one.dust)


# Of a fleet many share a day.
@lru_cache(maxsize=8_192)
def _clean_due_on(installed: int, cleaned: int | None, dust: str) -> str:
    cleaned_on = [] if cleaned is None else [date.fromordinal(cleaned)]
    return clean_due_on(date.fromordinal(installed), cleaned_on, dust).isoformat()


def _first(advised_on: int | None, watch_on: int | None, *, is_prior: bool) -> int | None:
    """Without a curve of its own the operator's age of watching holds."""
    days = [day for day in (advised_on, watch_on if is_prior else None) if day is not None]
    return min(days, default=None)


def _whole(day: float) -> int | None:
    return math.floor(day) if math.isfinite(day) else None


@lru_cache(maxsize=8_192)
def _iso(day: int | None) -> str | None:
    return None if day is None else date.fromordinal(day).isoformat()


def _listed(values: NDArray[np.float64], digits: int) -> list[float | None]:
    rounded = np.round(values, digits) + 0.0  # no -0.0
    if np.isfinite(rounded).all():
        return rounded.tolist()
    return [value if math.isfinite(value) else None for value in rounded.tolist()]
