"""Control charts of standard normal readings: run lengths by integral equation, limits, statistics.

A chart is judged by its run length, the number of readings up to and with the first signal; the average run length
(ARL) of readings that nothing is wrong with says how often it cries wolf. ``mean`` is the true mean of the readings in
units of their standard deviation, 0 when nothing is wrong.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

NODES = 60
# Where 1 less the chance of going on is lost in the rounding of the linear system.
LONGEST_ARL = 1e11
# The kernel is one reading wide; sixty nodes resolve it well up to here.
GREATEST_LIMIT = 40.0
_BRACKET_STEP = 0.5


def cusum_arl(k: float, h: float, mean: float = 0.0, start: float = 0.0) -> float:
    """The average run length, in readings, of the one-sided CUSUM ``C = max(0, C + z - k)`` that signals at ``C >= h``.

    ``k`` >= 0 is the reference value, 0 < ``h`` <= 40 the limit, ``start`` in [0, h) where the chart begins (a head
    start of h / 2 is the fast initial response of Lucas & Crosier, Technometrics 24 (1982) 199-205). Solved from
    ``L(s) = 1 + L(0) Phi(k - s - mean) + int_0^h L(y) phi(y - s + k - mean) dy`` at 60 Gauss-Legendre nodes (Nystroem;
    Vance, J. Quality Technology 18 (1986) 189-193). Raises Nonsense for other input and for runs beyond 1e11 readings.
    """
    _check_cusum(k, h, mean, start)
    return _told(_cusum_arl(k, h, mean, start))


def two_sided_cusum_arl(k: float, h: float, mean: float = 0.0, start: float = 0.0) -> float:
    """The average run length of an upper and a lower CUSUM run together, both begun at ``start`` in [0, h).

    From the one-sided run lengths U (mean) and D (-mean), begun at 0 and at s:
    ``(U(s) D(0) + U(0) D(s) - U(0) D(0)) / (U(0) + D(0))``; for s = 0 that is ``1 / (1/U + 1/D)`` (Lucas & Crosier
    1982). Exact while the two statistics cannot both be above 0 after a signal of one, as in all usual charts with
    k > 0; raises Nonsense as cusum_arl does.
    """
    _check_cusum(k, h, mean, start)
    up, down = _cusum_arl(k, h, mean, 0.0), _cusum_arl(k, h, -mean, 0.0)
    if math.isinf(up) and math.isinf(down):
        return _told(math.inf)
    up_started, down_started = _cusum_arl(k, h, mean, start), _cusum_arl(k, h, -mean, start)
    # Divided through by U(0) D(0): a side that never signals, with both its runs infinite, then leaves the other's.
    shares = [
        1.0 if math.isinf(zero) else begun / zero for begun, zero in ((up_started, up), (down_started, down))
    ]
    return _told((sum(shares) - 1) / (1 / up + 1 / down))


def cusum_limit(arl: float, k: float) -> float:
    """The limit h whose one-sided CUSUM, begun at 0, has the average run length ``arl`` when nothing is wrong.

    Raises Nonsense when no limit above 0 gives it: a chart with k signals at least once in 1 / (1 - Phi(k)) readings.
    """
    if not (math.isfinite(arl) and math.isfinite(k) and k >= 0):
        raise Nonsense(
            f"A CUSUM needs a finite run length and a reference value of 0 or more, not {arl} and {k}."
        )
    return _limit_of(arl, lambda h: _cusum_arl(k, h, 0.0, 0.0), GREATEST_LIMIT)


def ewma_arl(weight: float, width: float, mean: float = 0.0) -> float:
    """The average run length of ``w = weight z + (1 - weight) w``, begun at 0, with the constant limits
    ``+- width sqrt(weight / (2 - weight))``.

    0 < ``weight`` <= 1, ``width`` > 0. Solved from ``L(u) = 1 + 1/weight int_-c^c L(y) phi((y - (1 - weight) u) /
    weight - mean) dy`` at 60 Gauss-Legendre nodes (Crowder, Technometrics 29 (1987) 401-407). Raises Nonsense for other
    input, runs beyond 1e11 readings, and a weight so small that the nodes no longer resolve one step.
    """
    _check_ewma(weight, width)
    if not math.isfinite(mean):
        raise Nonsense(f"The mean of the readings is a number, not {mean}.")
    return _told(_ewma_arl(weight, width, mean))


def ewma_width(arl: float, weight: float) -> float:
    """The width of the constant limits that gives the EWMA of ``weight`` the run length ``arl`` when nothing is wrong.

    Raises Nonsense when no width above 0 gives it.
    """
    _check_ewma(weight, 1.0)
    if not math.isfinite(arl):
        raise Nonsense(f"A run length is a finite number of readings, not {arl}.")
    return _limit_of(arl, lambda width: _ewma_arl(weight, width, 0.0), 10.0)


def poisson_cusum_arl(mean: float, k: float, h: float, start: float = 0.0, *, lower: bool = False) -> float:
    """The average run length of the CUSUM of Poisson counts, ``C = max(0, C + x - k)``, or ``k - x`` for ``lower``.

    ``k``, ``h`` and ``start`` are multiples of 1/4, 1/10 or any 1/m with m <= 100, so that the chart is a finite Markov
    chain and the result exact; it signals at ``C >= h`` (Lucas, Technometrics 27 (1985) 129-144). Raises Nonsense for
    other input.
    """
    if not all(math.isfinite(value) for value in (mean, k, h, start)) or mean <= 0 or k < 0:
        raise Nonsense(
            f"A Poisson CUSUM needs a mean above 0 and finite values, not {mean}, {k}, {h}, {start}."
        )
    scale = _denominator(k, h, start)
    states, step, first = round(h * scale), round(k * scale), round(start * scale)
    if not 0 <= first < states:
        raise Nonsense(f"A chart starts between 0 and its limit {h}, not at {start}.")
    sign = -1 if lower else 1
    counts = np.arange((states + step) // scale + 2)
    chance = stats.poisson.pmf(counts, mean)
    chance[-1] = stats.poisson.sf(counts[-1] - 1, mean)
    going_on = np.zeros((states, states))
    for state in range(states):
        landing = np.maximum(0, state + sign * (counts * scale - step))
        np.add.at(going_on[state], landing[landing < states], chance[landing < states])
    return _told(float(_solved(going_on)[first]))


def cusum_statistics(z: Floats, k: float, start: float = 0.0) -> tuple[Floats, Floats]:
    """The lower and the upper CUSUM after every reading of ``z`` (units, slots), each of that shape, begun at ``start``.

    ``low = max(0, low - z - k)``, ``high = max(0, high + z - k)`` (Page, Biometrika 41 (1954) 100-115). Raises Nonsense
    for readings that are not finite numbers.
    """
    readings = _readings(z)
    if not (math.isfinite(k) and math.isfinite(start) and k >= 0 and start >= 0):
        raise Nonsense(f"A CUSUM's reference value and start are 0 or more, not {k} and {start}.")
    low, high = np.empty_like(readings), np.empty_like(readings)
    below = above = np.full(readings.shape[0], start)
    for slot in range(readings.shape[1]):
        below = np.maximum(0.0, below - readings[:, slot] - k)
        above = np.maximum(0.0, above + readings[:, slot] - k)
        low[:, slot], high[:, slot] = below, above
    return low, high


def ewma_statistics(z: Floats, weight: float, start: float = 0.0) -> Floats:
    """The EWMA ``w = weight z + (1 - weight) w`` after every reading of ``z`` (units, slots), of that shape.

    Roberts, Technometrics 1 (1959) 239-250. Raises Nonsense for readings that are not finite numbers.
    """
    readings = _readings(z)
    _check_ewma(weight, 1.0)
    if not math.isfinite(start):
        raise Nonsense(f"An EWMA starts at a number, not {start}.")
    smoothed = np.empty_like(readings)
    last = np.full(readings.shape[0], start)
    for slot in range(readings.shape[1]):
        last = weight * readings[:, slot] + (1 - weight) * last
        smoothed[:, slot] = last
    return smoothed


def ewma_limits(weight: float, width: float, readings: int) -> Floats:
    """The exact upper limits of an EWMA after 1 ... ``readings`` readings; the lower ones are their negatives.

    ``width sqrt(weight / (2 - weight) (1 - (1 - weight)^(2 i)))``: they widen to the constant limits of ewma_arl.
    """
    _check_ewma(weight, width)
    if readings < 0:
        raise Nonsense(f"A chart has 0 readings or more, not {readings}.")
    ages = np.arange(1, readings + 1)
    spread: Floats = width * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2.0 * ages)))
    return spread


def nodes_between(low: float, high: float, count: int) -> tuple[Floats, Floats]:
    """``count`` Gauss-Legendre nodes on [low, high] and their weights."""
    nodes, weights = special.roots_legendre(count)
    half = (high - low) / 2
    return low + half * (nodes + 1), half * weights


def normal_density(x: Floats) -> Floats:
    """phi(x), the standard normal density, elementwise."""
    return np.asarray(np.exp(-0.5 * np.square(x)) / math.sqrt(2 * math.pi), dtype=np.float64)


def _cusum_arl(k: float, h: float, mean: float, start: float) -> float:
    nodes, weights = nodes_between(0.0, h, NODES)
    states = np.concatenate(([0.0], nodes))
    lengths = _solved(_cusum_kernel(states, nodes, weights, k - mean))
    if not np.isfinite(lengths).all():
        return math.inf
    return float(1 + _cusum_kernel(np.array([start]), nodes, weights, k - mean)[0] @ lengths)


def _cusum_kernel(states: Floats, nodes: Floats, weights: Floats, drift: float) -> Floats:
    to_zero = special.ndtr(drift - states)[:, None]
    onward = weights * normal_density(nodes - states[:, None] + drift)
    return np.concatenate((to_zero, onward), axis=1)


def _ewma_arl(weight: float, width: float, mean: float) -> float:
    limit = width * math.sqrt(weight / (2 - weight))
    if math.pi * limit / NODES > weight:
        raise Nonsense(
            f"The weight {weight} is too small for a chart of width {width}: readings hardly move it."
        )
    nodes, weights = nodes_between(-limit, limit, NODES)
    steps = (nodes - (1 - weight) * np.concatenate(([0.0], nodes))[:, None]) / weight - mean
    kernel = weights / weight * normal_density(steps)
    lengths = _solved(kernel[1:])
    return float(1 + kernel[0] @ lengths) if np.isfinite(lengths).all() else math.inf


def _solved(going_on: Floats) -> Floats:
    """The run lengths (I - going_on)^-1 1 of a chain; infinite ones where rounding hides that it ever ends."""
    states = len(going_on)
    try:
        lengths = np.asarray(np.linalg.solve(np.eye(states) - going_on, np.ones(states)), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.full(states, math.inf)
    if lengths.min() < 1 - 1e-6 or lengths.max() > LONGEST_ARL:
        return np.full(states, math.inf)
    return lengths


def _limit_of(arl: float, arl_at: Callable[[float], float], greatest: float) -> float:
    low, high = 1e-9, _BRACKET_STEP
    if arl > LONGEST_ARL:
        raise Nonsense(f"A run length of {arl} readings cannot be told from never.")
    if arl <= arl_at(low):
        raise Nonsense(
            f"No limit above 0 gives a run length of {arl} readings: the chart signals later than that."
        )
    while arl_at(high) < arl:
        low, high = high, high + _BRACKET_STEP
        if high > greatest:
            raise Nonsense(f"A run length of {arl} readings is beyond any chart.")
    return float(
        optimize.brentq(lambda limit: math.log(min(arl_at(limit), 1e300) / arl), low, high, xtol=1e-10)
    )


def _told(arl: float) -> float:
    if not (math.isfinite(arl) and arl <= LONGEST_ARL):
        raise Nonsense("This chart signals so rarely that its run length cannot be told from never.")
    return arl


def _check_cusum(k: float, h: float, mean: float, start: float) -> None:
    if not all(math.isfinite(value) for value in (k, h, mean, start)):
        raise Nonsense(f"A CUSUM is made of numbers, not k {k}, h {h}, mean {mean}, start {start}.")
    if k < 0 or not 0 < h <= GREATEST_LIMIT:
        raise Nonsense(
            f"A CUSUM has k of 0 or more and h above 0 and at most {GREATEST_LIMIT}, not {k} and {h}."
        )
    if not 0 <= start < h:
        raise Nonsense(f"A chart starts between 0 and its limit {h}, not at {start}.")


def _check_ewma(weight: float, width: float) -> None:
    if not (math.isfinite(weight) and math.isfinite(width) and 0 < weight <= 1 and width > 0):
        raise Nonsense(f"An EWMA has a weight in (0, 1] and a width above 0, not {weight} and {width}.")


def _readings(z: Floats) -> Floats:
    readings = np.asarray(z, dtype=np.float64)
    if readings.ndim != 2:  # noqa: PLR2004 - units and slots
        raise Nonsense(f"Readings come as units by slots, not in {readings.ndim} dimensions.")
    if not np.isfinite(readings).all():
        raise Nonsense("A chart's readings are finite numbers; at least one is not.")
    return readings


def _denominator(*values: float) -> int:
    for scale in range(1, 101):
        if all(abs(value * scale - round(value * scale)) < 1e-9 * scale for value in values):
            return scale
    raise Nonsense(f"The values {values} have no common denominator up to 100.")
