"""How often washing brings a slow wick back: recovered out of washed, shrunk to what is common (Beta-binomial)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

# As if 4 washings had been seen, 2 of them with success: judgement, ours. An operator's own counts soon outweigh it.
PRIOR_RECOVERED = 2.0
PRIOR_NOT_RECOVERED = 2.0


@dataclass(frozen=True, slots=True)
class Recovery:
    """Chance that a wash succeeds: (G,) posterior mean and the 95 % interval from ``low`` to ``high``."""

    mean: Floats
    low: Floats
    high: Floats


def chance_recovers(
    recovered: ArrayLike,
    washed: ArrayLike,
    prior: tuple[float, float] = (PRIOR_RECOVERED, PRIOR_NOT_RECOVERED),
) -> Recovery:
    """Posterior of the success of washing, per group (G,): Beta(a + recovered, b + washed - recovered).

    Source: the conjugate Beta prior of a binomial (any text on Bayesian statistics). Without a washing the prior is
    the answer. Raises Nonsense unless 0 <= recovered <= washed and the prior is positive.
    """
    good = np.atleast_1d(np.asarray(recovered, dtype=np.float64))
    tried = np.atleast_1d(np.asarray(washed, dtype=np.float64))
    if good.shape != tried.shape or not ((good >= 0) & (good <= tried) & np.isfinite(tried)).all():
        raise Nonsense("Of the wicks washed, 0 to all recovered; each group needs both counts.")
    if not all(0 < weight < np.inf for weight in prior):
        raise Nonsense(f"A prior's weights are more than 0, not {prior}.")
    a, b = prior[0] + good, prior[1] + tried - good
    return Recovery(a / (a + b), betaincinv(a, b, 0.025), betaincinv(a, b, 0.975))
