"""A Weibull life fitted to counted cells, its scale shifted by covariates, with priors where data may be few."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from servicing.rules.lifetimes.cells import Cells, Floats
from servicing.rules.lifetimes.likelihood import group_terms, points_of
from servicing.rules.nonsense import Nonsense

STEPS = 100
SETTLED = 1e-9  # half the Newton decrement, in units of log likelihood, before the last step
LONGEST_STEP = 1.5
FLATTEST = 1e-9
WIDEST_ERROR = 5.0  # of log scale and log shape: beyond it an interval spans eight powers of ten
UNDECIDED = "These lives decide no life curve; a prior or more lives are needed."
SHARPEST_LOG_SHAPE = math.log(100.0)
LOG_SHAPE_MEAN = math.log(2.0)
LOG_SHAPE_SD = 0.4  # 95 % of shapes between 0.9 and 4.4: judgement, our own

Objective = Callable[[Floats], tuple[float, Floats, Floats]]


@dataclass(frozen=True, slots=True)
class Prior:
    """Normal priors: of each coefficient of log scale (P,) and of log shape; an infinite sd is no prior."""

    mean: tuple[float, ...]
    sd: tuple[float, ...]
    log_shape_mean: float = LOG_SHAPE_MEAN
    log_shape_sd: float = math.inf

    @property
    def proper(self) -> bool:
        return all(math.isfinite(sd) for sd in (*self.sd, self.log_shape_sd))


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Coefficients of log scale (P,), log shape, their covariance (P + 1, P + 1), shape last, and the log likelihood.

    With a prior the estimate is the mode and the covariance Laplace's; ``log_likelihood`` leaves the prior out.
    """

    coefficients: Floats
    log_shape: float
    covariance: Floats
    log_likelihood: float
    lives: int
    failures: int

    @property
    def shape(self) -> float:
        return math.exp(self.log_shape)

    def log_scale(self, row: ArrayLike = (1.0,)) -> float:
        """Log of the scale for one row of the design (P,)."""
        return float(np.dot(np.asarray(row, np.float64), self.coefficients))

    def scale(self, row: ArrayLike = (1.0,)) -> float:
        """The age by which 63.2 % have failed, for one row of the design (P,)."""
        return math.exp(self.log_scale(row))

    def log_quantile(self, share: float, row: ArrayLike = (1.0,)) -> tuple[float, float]:
        """Log of the age by which ``share`` of the lives have ended, and its standard error (delta method).

        log t = x'b + log(-log(1 - share)) / shape. Raises Nonsense unless 0 < share < 1.
        """
        if not 0 < share < 1:
            raise Nonsense(f"A share of lives lies between 0 and 1, not at {share}.")
        wait = math.log(-math.log1p(-share)) / self.shape
        slope = np.append(np.asarray(row, np.float64), -wait)
        return self.log_scale(row) + wait, math.sqrt(float(slope @ self.covariance @ slope))

    def quantile(
        self, share: float, row: ArrayLike = (1.0,), level: float = 0.95
    ) -> tuple[float, float, float]:
        """The age by which ``share`` have failed, and its interval (Wald on the log scale)."""
        middle, error = self.log_quantile(share, row)
        return _interval(middle, error, level)

    def scale_interval(self, row: ArrayLike = (1.0,), level: float = 0.95) -> tuple[float, float, float]:
        """Scale with its interval (Wald on the log scale)."""
        x = np.append(np.asarray(row, np.float64), 0.0)
        return _interval(self.log_scale(row), math.sqrt(float(x @ self.covariance @ x)), level)

    def shape_interval(self, level: float = 0.95) -> tuple[float, float, float]:
        """Shape with its interval (Wald on the log scale)."""
        return _interval(self.log_shape, math.sqrt(float(self.covariance[-1, -1])), level)


def fit_weibull(cells: Cells, design: Floats | None = None, prior: Prior | None = None) -> WeibullFit:
    """Maximum likelihood, or the posterior mode under ``prior``, by damped Newton steps with exact derivatives.

    ``design`` is (G, P): its row g belongs to the cells of code g; without it every cell has the one scale.
    Raises Nonsense when the data alone decide nothing (no failures, or lives so alike that the shape grows without
    end) and no prior does, or when a code has no row.
    """
    rows = np.ones((1, 1)) if design is None else np.asarray(design, np.float64)
    code = np.zeros_like(cells.code) if design is None else cells.code
    if code.size and int(code.max()) >= len(rows):
        raise Nonsense(f"Group {int(code.max())} of the lives has no row in the design.")
    width = rows.shape[1]
    held = prior or Prior((0.0,) * width, (math.inf,) * width)
    if len(held.mean) != width or len(held.sd) != width:
        raise Nonsense(f"The prior has {len(held.mean)} coefficients, the design {width}.")
    if cells.failures == 0 and not held.proper:
        raise Nonsense("No failure was seen, so these lives alone give no life curve.")
    ours = cells if design is not None else replace(cells, code=code)
    theta, height, negative = _climb(_objective(ours, rows, held), _start(cells, rows, held))
    if abs(theta[-1]) > SHARPEST_LOG_SHAPE and not held.proper:
        raise Nonsense("These lives are so alike that no shape fits them; a prior or more lives are needed.")
    covariance = np.linalg.inv(negative).astype(np.float64)
    of_scale = float(((rows @ covariance[:-1, :-1]) * rows).sum(axis=1).max())
    if max(of_scale, float(covariance[-1, -1])) > WIDEST_ERROR**2:
        raise Nonsense(UNDECIDED)
    value = height - _log_prior(theta, held)
    return WeibullFit(theta[:-1], float(theta[-1]), covariance, value, cells.lives, cells.failures)


def _start(cells: Cells, rows: Floats, prior: Prior) -> Floats:
    """All coefficients at their prior means or 0, the scale that of a constant hazard, the shape the prior's mean."""
    middle = np.where(cells.ended, (cells.left + np.where(cells.ended, cells.right, 0.0)) / 2, cells.left)
    exposure = float((cells.count * (middle - cells.entry)).sum())
    crude = math.log(max(exposure, 1e-3) / max(cells.failures, 0.5))
    known = np.isfinite(prior.sd)
    begin = np.where(known, prior.mean, 0.0)
    if not known.all():
        begin += np.linalg.lstsq(rows, crude - rows @ begin, rcond=None)[0] * ~known
    return np.append(begin, prior.log_shape_mean)


def _objective(cells: Cells, rows: Floats, prior: Prior) -> Objective:
    points = points_of(cells)
    width = rows.shape[1]
    precision = np.append(prior.sd, prior.log_shape_sd) ** -2.0
    centre = np.append(prior.mean, prior.log_shape_mean)

    def value_slope_curve(theta: Floats) -> tuple[float, Floats, Floats]:
        value, by_mu, by_shape, mu_mu, mu_shape, shape_shape = group_terms(
            points, rows @ theta[:-1], np.full(len(rows), theta[-1])
        )
        off = theta - centre
        slope = np.append(rows.T @ by_mu, by_shape.sum()) - precision * off
        curve = np.empty((width + 1, width + 1))
        curve[:-1, :-1] = (rows.T * mu_mu) @ rows
        curve[:-1, -1] = curve[-1, :-1] = rows.T @ mu_shape
        curve[-1, -1] = shape_shape.sum()
        curve[np.diag_indices(width + 1)] -= precision
        return float(value.sum() - 0.5 * (precision * off * off).sum()), slope, curve

    return value_slope_curve


def _log_prior(theta: Floats, prior: Prior) -> float:
    precision = np.append(prior.sd, prior.log_shape_sd) ** -2.0
    off = theta - np.append(prior.mean, prior.log_shape_mean)
    return float(-0.5 * (precision * off * off).sum())


def _climb(objective: Objective, theta: Floats) -> tuple[Floats, float, Floats]:
    """The top, its height and its negative curvature, by Newton steps whose every direction leads upwards."""
    value, slope, curve = objective(theta)
    for _ in range(STEPS):
        # Each parameter in its own unit of curvature, so that a tight prior on one does not blur the others.
        unit = 1 / np.sqrt(np.maximum(np.abs(np.diag(curve)), 1e-12))
        bends, axes = np.linalg.eigh(-curve * np.outer(unit, unit))
        step = unit * (axes @ ((axes.T @ (slope * unit)) / np.maximum(np.abs(bends), FLATTEST)))
        gain = float(slope @ step) / 2
        step *= min(1.0, LONGEST_STEP / max(float(np.abs(step).max()), 1e-300))
        for _ in range(60):
            tried = objective(theta + step)
            if tried[0] >= value - 1e-9 * (1 + abs(value)):
                break
            step = step / 2
        theta = theta + step
        value, slope, curve = tried
        if gain < SETTLED:
            break
    if gain < SETTLED and np.linalg.eigvalsh(-curve)[0] > 0:
        return theta, value, -curve
    raise Nonsense(UNDECIDED)


def _interval(middle: float, error: float, level: float) -> tuple[float, float, float]:
    reach = float(ndtri((1 + level) / 2)) * error
    return math.exp(middle), math.exp(middle - reach), math.exp(middle + reach)
