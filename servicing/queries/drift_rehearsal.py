"""The drift chart at work, visit after visit, on a fleet whose truth is known: for whoever measures its false alarms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from servicing.rules.dose.fitting import fit_dose
from servicing.rules.dose.model import DoseFit, prior_means
from servicing.rules.dose.posterior import fold_posterior
from servicing.rules.dose.readings import RAN_DRY, READ, SLOTS, UNTOUCHED, Readings
from servicing.rules.drift import Limits, drift, limits_for, resets_per_reading
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class VisitedFleet:
    """What was read of U units at V visits each; all arrays (U, V) but ``nominal_ml_per_day`` (U,).

    ``ended_day``: days since 1970-01-01 UTC; ``days``: since the visit before; ``available_ml``: what was in then;
    ``consumed_ml``: what dripped out, to ``step_ml``; ``was_empty``: found empty; ``wick_changed``: at the visit before.
    """

    ended_day: Floats
    days: Floats
    available_ml: Floats
    consumed_ml: Floats
    was_empty: Flags
    wick_changed: Flags
    nominal_ml_per_day: Floats
    step_ml: float


@dataclass(frozen=True, slots=True)
class Opened:
    """How many findings opened at how many visits under a budget of false alarms per 1,000 visits, with its limits."""

    false_alarms_per_1000: float
    limits: Limits
    visits: int
    findings: int


def findings_opened(fleet: VisitedFleet, budgets_per_1000: Sequence[float]) -> list[Opened]:
    """The findings that opened at the visits from the 19th on, for each budget, as the nightly forecast would see them.

    At every visit the units' last 18 readings are folded and the chart drawn anew, as in a forecast; a finding opens
    where there was none, or another, at the visit before. Doses and the rate of wick changes are fitted once, to the
    first 18 visits. Raises Nonsense for a fleet with fewer than 19 visits.
    """
    visits = fleet.days.shape[1]
    if visits <= SLOTS:
        raise Nonsense(f"Findings open from the 19th visit on; the fleet has {visits}.")
    everything = _readings(fleet)
    first = _window(everything, SLOTS)
    fit = fit_dose(first, fleet.nominal_ml_per_day, [""] * first.units)
    resets = resets_per_reading(first.kind, _wick_slots(fleet.wick_changed[:, :SLOTS]))
    limits = [limits_for(budget, resets_per_reading=resets) for budget in budgets_per_1000]
    opened = [0] * len(limits)
    findings = (_findings(fleet, everything, seen, fit, limits) for seen in range(SLOTS, visits + 1))
    for before, now in pairwise(findings):
        for place, (old, new) in enumerate(zip(before, now, strict=True)):
            opened[place] += int(((new != 0) & (new != old)).sum())
    judged = first.units * (visits - SLOTS)
    return [
        Opened(budget, chart, judged, count)
        for budget, chart, count in zip(budgets_per_1000, limits, opened, strict=True)
    ]


def _findings(
    fleet: VisitedFleet, everything: Readings, seen: int, fit: DoseFit, limits: Sequence[Limits]
) -> list[NDArray[np.int8]]:
    """The findings of each budget's chart after the first ``seen`` visits."""
    readings = _window(everything, seen)
    posterior = fold_posterior(
        readings, fleet.nominal_ml_per_day, prior_means(fit, [""] * readings.units), fit
    )
    wick_slot = _wick_slots(fleet.wick_changed[:, seen - SLOTS : seen])
    return [drift(posterior.z, readings.kind, posterior.kept, wick_slot, chart).finding for chart in limits]


def _readings(fleet: VisitedFleet) -> Readings:
    untouched = fleet.consumed_ml <= fleet.step_ml
    kind = np.where(fleet.was_empty, RAN_DRY, np.where(untouched, UNTOUCHED, READ)).astype(np.int8)
    read_low = np.where(untouched, 0.0, fleet.consumed_ml - fleet.step_ml)
    return Readings(
        ended_day=fleet.ended_day,
        days=fleet.days,
        available_ml=fleet.available_ml,
        low_ml=np.where(fleet.was_empty, fleet.available_ml, read_low),
        high_ml=np.where(fleet.was_empty, np.inf, np.maximum(fleet.consumed_ml, 0.0) + fleet.step_ml),
        kind=kind,
    )


def _window(everything: Readings, seen: int) -> Readings:
    """The last readings that a forecast keeps after the first ``seen`` visits."""
    kept = slice(seen - SLOTS, seen)
    return Readings(
        ended_day=everything.ended_day[:, kept],
        days=everything.days[:, kept],
        available_ml=everything.available_ml[:, kept],
        low_ml=everything.low_ml[:, kept],
        high_ml=everything.high_ml[:, kept],
        kind=everything.kind[:, kept],
    )


def _wick_slots(changed: Flags) -> NDArray[np.int64]:
    slots = changed.shape[1]
    last = slots - 1 - changed[:, ::-1].argmax(axis=1)
    return np.where(changed.any(axis=1), last, -1)
