"""The limits of the drift chart from a budget of false alarms, exactly for the way the chart is used.

The chart of one side: each reading leans that way by x, standard normal when nothing is wrong. The statistic
``C = max(0, C + x - k)`` begins at 0; after a wick change both sides begin anew, the low one at h / 2, for it asks
whether the work helped. A finding opens when C reaches h or when x alone
reaches ``one_visit`` (the combined scheme of Lucas, J. Quality Technology 14 (1982) 51-59, from memory). While it is
open every reading is asked again from h / 2: one with x > k leaves it open, any other closes it. A false alarm is the
opening of a finding on a unit with which nothing is wrong, so a finding that stays open counts once.

The chart of a unit is drawn anew at every visit over its last few readings, so the chance of a false alarm at a visit
is that of a chart begun so many readings ago, not one over an average run length. Two things are left out. Forgetting
the oldest reading moves what the others were expected to be, which opens 7 % to 12 % more findings; units that run dry
are read as bounds and open fewer on the high side: in all 6 % fewer where one visit in a hundred finds one dry, 14 %
where one in seventeen does (both measured by simulation). In a usual fleet the two about cancel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from servicing.rules.control import nodes_between, normal_density
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

# Half of the shift the chart is best at, one standard deviation of a reading: judgement.
REFERENCE = 0.5
# Of the false alarms, those left to a single reading: judgement, between a dead wick at once and a slow loss early.
ONE_VISIT_SHARE = 0.5
READINGS_DRAWN = 18
GREATEST_BUDGET_PER_1000 = 100.0
_NODES = 30
_LOWEST_LIMIT, _HIGHEST_LIMIT = 0.05, 30.0


@dataclass(frozen=True, slots=True)
class Limits:
    """The drift chart's reference value ``k``, its limit ``h`` and the limit ``one_visit`` of a single reading.

    All in standard deviations of a reading. Raises Nonsense unless k >= 0, h > 0 and one_visit > k.
    """

    k: float
    h: float
    one_visit: float

    def __post_init__(self) -> None:
        finite = all(math.isfinite(value) for value in (self.k, self.h, self.one_visit))
        if not finite or self.k < 0 or self.h <= 0 or self.one_visit <= self.k:
            raise Nonsense(
                f"A drift chart cannot have the limits k {self.k}, h {self.h}, alone {self.one_visit}."
            )

    @property
    def head_start(self) -> float:
        """Where the low chart begins after a wick change and either goes on from a finding: h / 2 (Lucas & Crosier 1982)."""
        return self.h / 2


def limits_for(
    false_alarms_per_1000_visits: float,
    *,
    resets_per_reading: float,
    readings_drawn: int = READINGS_DRAWN,
    k: float = REFERENCE,
    one_visit_share: float = ONE_VISIT_SHARE,
) -> Limits:
    """The limits under which sound units have that many new findings per 1,000 visits, low and high together.

    ``one_visit_share`` in (0, 1) of the budget goes to single readings, which fixes their limit; h is then the one that
    makes false_alarms_per_1000 equal the budget. ``resets_per_reading`` and ``readings_drawn`` as there. Raises
    Nonsense for a budget that is not above 0 and at most 100 per 1,000.
    """
    budget = false_alarms_per_1000_visits
    if not (math.isfinite(budget) and 0 < budget <= GREATEST_BUDGET_PER_1000):
        raise Nonsense(
            f"A budget is more than 0 and at most 100 false alarms per 1,000 visits, not {budget}."
        )
    if not 0 < one_visit_share < 1:
        raise Nonsense(f"A share lies between 0 and 1, not {one_visit_share}.")
    one_visit = -float(special.ndtri(one_visit_share * budget / 2_000))

    def excess(h: float) -> float:
        found = false_alarms_per_1000(
            Limits(k, h, one_visit), resets_per_reading=resets_per_reading, readings_drawn=readings_drawn
        )
        return math.log(found / budget)

    if excess(_LOWEST_LIMIT) < 0:
        raise Nonsense(f"No chart with k {k} has as many as {budget} false alarms per 1,000 visits.")
    return Limits(k, float(optimize.brentq(excess, _LOWEST_LIMIT, _HIGHEST_LIMIT, xtol=1e-6)), one_visit)


def false_alarms_per_1000(
    limits: Limits, *, resets_per_reading: float, readings_drawn: int = READINGS_DRAWN
) -> float:
    """New findings per 1,000 visits of units with which nothing is wrong, low and high side together.

    ``resets_per_reading`` in [0, 1): the share of readings that are the first after a wick change; from there the chart
    begins anew, otherwise ``readings_drawn`` readings ago at 0. Readings are independent and standard
    normal. The statistic's distribution is carried from reading to reading by Gauss-Legendre quadrature. Raises
    Nonsense for other input.
    """
    if not (0 <= resets_per_reading < 1) or readings_drawn < 1:
        raise Nonsense(
            f"Wick changes per reading lie in [0, 1), not {resets_per_reading}; readings drawn are 1 or more."
        )
    from_zero = _opening_chances(limits, 0.0, readings_drawn)
    from_head_start = _opening_chances(limits, limits.head_start, readings_drawn)
    going_on = 1 - resets_per_reading
    ages = resets_per_reading * going_on ** np.arange(readings_drawn)
    after_a_change = float((ages * (from_head_start + from_zero)).sum())
    return 1_000 * (after_a_change + going_on**readings_drawn * 2 * float(from_zero[-1]))


def _opening_chances(limits: Limits, start: float, readings: int) -> Floats:
    """The chance that a finding opens at the 1st, 2nd, ... reading of one side's chart begun at ``start``: (readings,)."""
    nodes, weights = _nodes(limits)
    states = np.concatenate(([0.0], nodes))
    stepping = _quiet_steps(limits, states, nodes, weights)
    closing = _closing_step(limits, nodes, weights)
    opens = _opens(limits, states)
    chances = np.empty(readings)
    first = np.array([start])
    chances[0] = _opens(limits, first)[0]
    quiet, is_open = _quiet_steps(limits, first, nodes, weights)[0], float(chances[0])
    stays_open = float(special.ndtr(-limits.k))
    for reading in range(1, readings):
        chances[reading] = quiet @ opens
        quiet, is_open = quiet @ stepping + is_open * closing, is_open * stays_open + float(chances[reading])
    return chances


def _nodes(limits: Limits) -> tuple[Floats, Floats]:
    # The head start is a border of two panels: what closes a finding lands below it.
    low, low_weights = nodes_between(0.0, limits.head_start, _NODES)
    high, high_weights = nodes_between(limits.head_start, limits.h, _NODES)
    return np.concatenate((low, high)), np.concatenate((low_weights, high_weights))


def _opens(limits: Limits, states: Floats) -> Floats:
    opens: Floats = special.ndtr(-np.minimum(limits.one_visit, limits.h + limits.k - states))
    return opens


def _quiet_steps(limits: Limits, states: Floats, nodes: Floats, weights: Floats) -> Floats:
    """Chances to go from each of ``states`` to 0 and to each node without opening a finding, a row a state."""
    # A single reading that opens a finding cuts a node's cell in two; the cells are as wide as the weights.
    highest = states[:, None] - limits.k + limits.one_visit
    share = np.clip((highest - (np.cumsum(weights) - weights)) / weights, 0.0, 1.0)
    onward = share * weights * normal_density(nodes - states[:, None] + limits.k)
    rows = np.concatenate((special.ndtr(limits.k - states)[:, None], onward), axis=1)
    # Scaled so that going on and opening a finding add up to 1 in every row, whatever the cut leaves over.
    steps: Floats = rows * ((1 - _opens(limits, states)) / rows.sum(axis=1))[:, None]
    return steps


def _closing_step(limits: Limits, nodes: Floats, weights: Floats) -> Floats:
    """Chances to go from an open finding to 0 and to each node: all below the head start."""
    below = nodes < limits.head_start
    onward = np.where(below, weights * normal_density(nodes - limits.head_start + limits.k), 0.0)
    row = np.concatenate(([special.ndtr(limits.k - limits.head_start)], onward))
    closing: Floats = row * (special.ndtr(limits.k) / row.sum())
    return closing
