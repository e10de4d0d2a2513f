"""What counted lives say of Weibull curves: log likelihood, slopes and curvatures, summed by group.

S(t) = exp(-H(t)), H(t) = exp(u), u = shape (log t - mu), mu the log of the scale. A life that ended in (L, R] and was
watched from age E gives H(E) - H(L) + log(1 - exp(-(H(R) - H(L)))); one that goes on, H(E) - H(L); one whose end t was
seen, H(E) - H(t) + log shape + u(t) - log t. Source: Meeker and Escobar, Statistical Methods for Reliability Data,
chapters 7, 8 and 11 (from memory); the derivatives are our own and are tested against differences of the value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from servicing.rules.lifetimes.cells import Cells, Floats, Ints

LOG_ZERO = -1e4  # stands for log 0: H and u H are exactly 0 there, and nothing is infinite
STEEPEST = 300.0  # of log H and of H(R) - H(L): beyond it 1 - exp(-H) is 1 in doubles
FLATTEST = 1e-200


@dataclass(frozen=True, slots=True)
class Points:
    """What of the cells stays the same from step to step, ordered: ended between looks, end seen, going on."""

    code: Ints
    count: Floats
    log_left: Floats
    log_right: Floats  # of the first cells only, those that ended between looks
    seen: slice
    late: Ints  # which cells are watched from a later age than 0
    log_entry: Floats


def points_of(cells: Cells) -> Points:
    """The cells in the order and with the logs that ``group_terms`` works on."""
    kind = np.where(cells.ended, np.where(cells.left == cells.right, 1, 0), 2)
    order = np.argsort(kind, kind="stable")
    between, seen = (int((kind == one).sum()) for one in (0, 1))
    entry = cells.entry[order]
    late = np.flatnonzero(entry > 0)
    return Points(
        code=cells.code[order],
        count=cells.count[order],
        log_left=log_ages(cells.left[order]),
        log_right=log_ages(cells.right[order[:between]]),
        seen=slice(between, between + seen),
        late=late,
        log_entry=log_ages(entry[late]),
    )


def group_terms(points: Points, mu: Floats, log_shape: Floats) -> Floats:
    """(6, G) for ``mu`` and ``log_shape`` (G,) of the G codes: value, its slopes by mu and by log shape, its curvatures

    mu-mu, mu-shape and shape-shape, summed over the lives of each code.
    """
    alone = len(mu) == 1
    centre = mu[0] if alone else mu[points.code]
    power = np.exp(log_shape)
    shape = power[0] if alone else power[points.code]
    each = _terms(
        points, np.broadcast_to(centre, points.count.shape), np.broadcast_to(shape, points.count.shape)
    )
    each *= points.count
    out = np.empty((6, len(mu)))
    for row, values in enumerate(each):
        out[row] = values.sum() if alone else np.bincount(points.code, values, len(mu))
    # The slopes of u by mu are -shape, the same for all lives of a code: taken out of the sums.
    out[1] *= power
    out[3] *= power * power
    out[4] *= power
    return out


def log_ages(ages: Floats) -> Floats:
    """Their logs, with a number so low for age 0 that its hazard and every product with it are 0."""
    return np.where(ages > 0, np.log(np.where(ages > 0, ages, 1.0)), LOG_ZERO)


def _terms(points: Points, centre: Floats, shape: Floats) -> Floats:
    """(6, C) of the C cells; rows 1 and 4 still lack a factor of shape, row 3 its square."""
    hazard, by_shape, bent, rise = _hazard(points.log_left, centre, shape)
    each = np.stack((-hazard, hazard, -by_shape, -hazard, hazard + by_shape, -(by_shape + bent)))
    between = slice(0, len(points.log_right))
    if between.stop:
        high, high_by, high_bent, _ = _hazard(points.log_right, centre[between], shape[between])
        each[:, between] += _ended_between(
            high - hazard[between], high_by - by_shape[between], high_bent - bent[between]
        )
    if points.seen.stop > points.seen.start:
        up = rise[points.seen]
        none = np.zeros_like(up)
        value = np.log(shape[points.seen]) + up - points.log_left[points.seen]
        each[:, points.seen] += np.stack((value, none - 1, 1 + up, none, none - 1, up))
    if points.late.size:
        hazard, by_shape, bent, _ = _hazard(points.log_entry, centre[points.late], shape[points.late])
        each[:, points.late] += np.stack(
            (hazard, -hazard, by_shape, hazard, -(hazard + by_shape), by_shape + bent)
        )
    return each


def _hazard(log_age: Floats, centre: Floats, shape: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """H, u H, u^2 H and u."""
    rise = np.minimum(shape * (log_age - centre), STEEPEST)
    hazard = np.exp(rise)
    by_shape = rise * hazard
    return hazard, by_shape, rise * by_shape, rise


def _ended_between(within: Floats, by_shape: Floats, bent: Floats) -> Floats:
    """The six terms of log(1 - exp(-D)), D = ``within``; expm1 keeps small and large D exact."""
    within = np.clip(within, FLATTEST, STEEPEST)
    less = np.expm1(within)
    weight = 1.0 / less
    growth = less + 1.0
    one, two = weight * within, weight * by_shape
    steep = one * growth
    return np.stack(
        (
            np.log(less) - within,
            -one,
            two,
            one - one * steep,
            two * steep - one - two,
            two + weight * bent - two * two * growth,
        )
    )
