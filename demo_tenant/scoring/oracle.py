"""The same forecast in the hands of somebody who knows the invented world's own parameters, but no unit's inside."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from demo_tenant.operators import OperatorPlan
from demo_tenant.world import DOSE_SIGMA, MONTH_DAYS, season_factor
from servicing.queries.rehearsal import Fits, true_fits

YEAR_DAYS = 365.25


def oracle_fits(plan: OperatorPlan, learnt: Fits) -> Fits:
    """What the oracle forecasts with: the same rules on the same readings, levels and ages, but with true parameters.

    It knows how much doses differ between units, the season (the harmonic nearest to the true steps by month, and how
    far those steps lie from it, which is all that an interval of one unit varies by), the Weibull law of this
    operator's wicks, how often outlets plug, and how far the eye errs, which the rules take as given. It does not know
    any unit's dose, wick or fate. What the truth has no parameter of, the hazard after a condition seen, stays learnt.
    """
    sin, cos, visit_sd = season_of_the_world()
    return true_fits(
        learnt,
        between_sd=DOSE_SIGMA,
        visit_sd=visit_sd,
        season=(sin, cos),
        wick_scale_days=plan.wick_scale_months * MONTH_DAYS,
        wick_shape=plan.wick_shape,
        plugs_per_day=plan.plugged_per_month / MONTH_DAYS,
    )


def season_of_the_world() -> tuple[float, float, float]:
    """Sine and cosine of the log of the true season by least squares over four years of days, and what is left, as sd."""
    first = datetime(2024, 1, 1, tzinfo=UTC)
    days = np.arange(1_461)
    true = np.array([math.log(season_factor(first + timedelta(days=int(day)))) for day in days])
    phase = 2 * math.pi / YEAR_DAYS * (days + first.timestamp() / 86_400)
    columns = np.column_stack([np.ones(len(days)), np.sin(phase), np.cos(phase)])
    found, *_ = np.linalg.lstsq(columns, true, rcond=None)
    left = true - columns @ found
    return float(found[1]), float(found[2]), float(np.std(left))
