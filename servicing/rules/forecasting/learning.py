"""What an operator's own histories teach: the fits that its forecasts are made with from then on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from servicing.rules.dose.fitting import fit_dose
from servicing.rules.dose.reservoir import SECONDS_PER_DAY
from servicing.rules.drift import resets_per_reading
from servicing.rules.forecasting.dry import FleetRead, fleet_read, wick_slots
from servicing.rules.forecasting.fits import PRIOR_STOPS_PER_DAY, DoseFits, WickFits
from servicing.rules.forecasting.looks import Looks, WickLine, looks_of
from servicing.rules.lifetimes.cells import collapse, rows_of_wicks
from servicing.rules.lifetimes.condition import condition_laws
from servicing.rules.lifetimes.wick_life import Label, WickFit, fit_wick_life, hazard_between, relative_hazard
from servicing.rules.washing import chance_recovers
from servicing.rules.water import hardness_class

# The prior of plugged outlets counts as much as so many unit-days.
STOP_DAYS = 2 / PRIOR_STOPS_PER_DAY
LONGEST_INTERVAL_S = 400 * 86_400
LONGEST_LIFE_S = 20 * 366 * 86_400


class UnitLearnt(NamedTuple):
    """What one unit, hanging or withdrawn, adds to the fits: its exchanges (none of one withdrawn) and its wicks.

    ``nominal_ml_per_day``: as set on the unit, else of its cartridge. ``wick_lives``: wicks that ended, as
    ``UnitHistory`` keeps them; the three seconds tell of the one that hangs, None where not known.
    """

    unit_id: str
    group: str
    site_kind: str
    hardness_mg_per_l: int | None
    liquid: str
    nominal_ml_per_day: float | None
    intervals: Sequence[list[Any]]
    wick_lives: Sequence[list[Any]]
    wick_since_s: int | None
    wick_good_s: int | None
    wick_failed_s: int | None

    @property
    def label(self) -> Label:
        return _label(self.site_kind, self.hardness_mg_per_l, self.liquid)


# A fleet's wicks are of few kinds.
@lru_cache(maxsize=1_024)
def _label(site_kind: str, hardness_mg_per_l: int | None, liquid: str) -> Label:
    return site_kind, hardness_class(hardness_mg_per_l), liquid


def learn_doses(units: Sequence[UnitLearnt], read: FleetRead | None = None) -> DoseFits:
    """The fit of doses, how often outlets plug (gamma-Poisson about the prior) and how often wicks are changed.

    ``read``: the units' intervals in columns, where they are made already.
    """
    if read is None or any(not one.nominal_ml_per_day for one in units):
        units = [one for one in units if one.intervals and one.nominal_ml_per_day]
        read = fleet_read([one.intervals for one in units])
    balances, readings = read.balances, read.readings
    nominal = np.array([one.nominal_ml_per_day for one in units], np.float64)
    fit = fit_dose(readings, nominal, [one.group for one in units])
    stopped = "".join(balances.marks).count("o")  # each mark stands once in an interval
    # An exchange with a wrong date behind it is not to count for a century.
    unit_days = float(np.minimum(balances.rows[:, 1], LONGEST_INTERVAL_S).sum()) / SECONDS_PER_DAY
    since = [one.wick_since_s for one in units]
    resets = resets_per_reading(readings.kind, wick_slots(balances, since, readings.slots))
    return DoseFits(fit, (PRIOR_STOPS_PER_DAY * STOP_DAYS + stopped) / (STOP_DAYS + unit_days), resets)


def learn_wicks(units: Sequence[UnitLearnt], lines: Iterable[WickLine]) -> WickFits:
    """The fit of wick lives, of what a condition seen means and of what washing does.

    ``lines`` as ``looks_of`` takes them, of the same units.
    """
    lives = [(row, one.label) for one in units for row in wicks_of_unit(one)]
    labels = sorted({label for _, label in lives})
    code_of = {label: code for code, label in enumerate(labels)}
    left, right = rows_of_wicks([row for row, _ in lives])
    fit = fit_wick_life(collapse(left, right, code=[code_of[label] for _, label in lives]), labels)
    looks = looks_of(lines)
    if not fit.from_prior:
        fit = _with_laws(fit, looks, {one.unit_id: one.label for one in units})
    recovery = chance_recovers(looks.recovered, looks.washed)
    return WickFits(fit, float(recovery.mean[0]))


def wicks_of_unit(one: UnitLearnt) -> list[list[int | None]]:
    """[fitted, last seen not failed, first seen failed] of each wick of known age.

    A wick said to be older than 20 years has a wrong date behind it and is left out.
    """
    found: list[list[int | None]] = [list(row[:3]) for row in one.wick_lives]
    if one.wick_since_s is not None and one.wick_good_s is not None:
        found.append([one.wick_since_s, one.wick_good_s, one.wick_failed_s])
    return [row for row in found if max(row[1] or 0, row[2] or 0) - (row[0] or 0) <= LONGEST_LIFE_S]


def _with_laws(fit: WickFit, looks: Looks, labels: dict[str, Label]) -> WickFit:
    known = [one for one in looks.looks if one.unit in labels]
    if not known:
        return fit
    ages = np.array([(one.from_days, one.until_days) for one in known], np.float64)
    places, days = fit.places([labels[one.unit] for one in known]), ages[:, 1] - ages[:, 0]
    laws = condition_laws(
        [one.condition for one in known],
        hazard_between(fit, places, ages[:, 0], days),
        relative_hazard(fit, places, ages[:, 0], days),
        days,
        [one.failed for one in known],
    )
    return replace(fit, condition_laws=laws)
