"""A Weibull fitted to 100,000 interval-censored wick lives, from raw rows to scale and shape, against two libraries.

lifelines and surpyval (PyPI) maximise the same likelihood on the same rows; all three must agree.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from servicing.rules.lifetimes.cells import collapse
from servicing.rules.lifetimes.weibull import fit_weibull
from tests.benchmarks.forecast.lives import SCALE_DAYS, Floats, visited_lives
from tests.benchmarks.rounds import SEED, compared, interleave

ROUNDS = 3
ROWS = 100_000
# Relative, of scale and shape: the libraries stop their search at about 1e-6.
AGREEMENT = 1e-4

Fit = tuple[float, float]


def run(_: None, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 9 rounds; else 3. Both with 100,000 rows."""
    left, right = visited_lives(np.random.default_rng(SEED), np.full(ROWS, SCALE_DAYS))
    found: dict[str, Fit] = {}
    with warnings.catch_warnings():
        # Their own advice on convergence and coming versions; the figures are compared below.
        warnings.simplefilter("ignore")
        fits = {"ours": _ours, "lifelines": fit_by_lifelines(), "surpyval": fit_by_surpyval()}

        def side(name: str) -> Callable[[int], None]:
            def fit(_: int) -> None:
                found[name] = fits[name](left, right)

            return fit

        speeds = interleave(
            {name: side(name) for name in fits}, rounds=9 if full else ROUNDS, count=ROWS, unit="rows/s"
        )
    for other, target in (("lifelines", 20), ("surpyval", 2)):
        agree = bool(np.allclose(found["ours"], found[other], rtol=AGREEMENT, atol=0))
        line = compared(
            f"forecast.wick_100k_{other}",
            speeds["ours"],
            f"{other}, the same rows",
            speeds[other],
            target=target,
            n=ROWS,
            unit="rows/s",
        )
        yield line | {
            "scale_days": [round(found[name][0], 3) for name in ("ours", other)],
            "shape": [round(found[name][1], 5) for name in ("ours", other)],
            "ok": line["ok"] and agree,
        }


def _ours(left: Floats, right: Floats) -> Fit:
    fit = fit_weibull(collapse(left, right))
    return fit.scale(), fit.shape


def fit_by_lifelines() -> Callable[[Floats, Floats], Fit]:
    from lifelines import WeibullFitter

    def fit(left: Floats, right: Floats) -> Fit:
        fitted = WeibullFitter().fit_interval_censoring(left, right)
        return float(fitted.lambda_), float(fitted.rho_)

    return fit


def fit_by_surpyval() -> Callable[[Floats, Floats], Fit]:
    import surpyval

    def fit(left: Floats, right: Floats) -> Fit:
        scale, shape = surpyval.Weibull.fit(xl=left, xr=right).params
        return float(scale), float(shape)

    return fit
