"""The survival curve of lives seen only between looks.

Outside checks: Turnbull 1974 (JASA 69, 169-173) and a hard case in the manner of one sent to the package's author, both
from the R package survival, files tests/turnbull.R and tests/turnbull.Rout.save (read, and recomputed here); the
library surpyval (PyPI) on the same rows.
"""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servicing.rules.lifetimes.cells import as_cells
from servicing.rules.lifetimes.turnbull import fit_turnbull
from servicing.rules.nonsense import Nonsense

INF = math.inf

# At 1, 2, 3, 4: how many ends were seen, how many still went on, how many had ended before.
TURNBULL_1974 = as_cells(
    [1, 2, 3, 4, 1, 2, 4, 0, 0, 0, 0],
    [1, 2, 3, 4, INF, INF, INF, 1, 2, 3, 4],
    count=[12, 6, 2, 3, 3, 2, 3, 2, 4, 2, 5],
)


def hard_case():
    begins = [*[0] * 100, *[1] * 200, 100, 200, 210, 220, *[365] * 100, *[366] * 5, *range(731, 742)]
    ends = [
        *range(3, 301, 3), *range(11, 111), *[365] * 60, *[366] * 40, INF, 500, INF, 450, *[730] * 90, *[INF] * 10,
        528, 571, 691, 730, 731, INF, *range(1095, 1100), INF, 1400, 1200, 772, 1461,
    ]  # fmt: skip
    return as_cells(begins, ends)


def test_the_worked_example_of_1974():
    curve = fit_turnbull(TURNBULL_1974)
    assert curve.right.tolist() == [1, 2, 3, 4, INF]
    assert curve.survival == pytest.approx([0.5376, 0.2946, 0.2098, 0.0948, 0], abs=5e-5)
    assert curve.at(np.array([0.5, 1, 3.5, 4, 9])) == pytest.approx([1, 0.538, 0.210, 0.095, 0.095], abs=5e-4)


def test_a_case_on_which_repetition_is_slow():
    # The author's own solution: masses 0.6958, 0.1674, 0.1079, 0.0289 at the middles 2, 365.5, 408 and 756.5, else none.
    curve = fit_turnbull(hard_case())
    heavy = curve.mass > 1e-4
    assert ((curve.left + curve.right) / 2)[heavy].tolist() == [2, 365.5, 408, 756.5]
    assert curve.mass[heavy] == pytest.approx([0.6958, 0.1674, 0.1079, 0.0289], abs=1e-3)
    assert curve.mass.sum() == pytest.approx(1, abs=1e-12)


def test_lives_looked_at_monthly_against_a_library():
    draws = np.random.default_rng(4)
    life = 400 * draws.weibull(1.8, 120)
    seen = np.floor(life / draws.integers(25, 36, 120)) * 30
    left, right = np.minimum(seen, 480), np.where(seen >= 480, INF, seen + draws.integers(20, 40, 120))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, on coming versions of what it imports
        import surpyval

        theirs = surpyval.Turnbull.fit(xl=left, xr=right, turnbull_estimator="Kaplan-Meier")
    curve = fit_turnbull(as_cells(left, right))
    ours_at_ends = curve.at(theirs.x)
    outside = ~((theirs.x[:, None] > curve.left) & (theirs.x[:, None] < curve.right)).any(axis=1)
    assert outside.sum() > 20
    assert ours_at_ends[outside] == pytest.approx(theirs.R[outside], abs=1e-4)


def test_a_life_going_on_at_an_age_outlives_an_end_at_that_age():
    # Closing the interval of a life that goes on would give it a share of the end at 4 and leave nobody over.
    curve = fit_turnbull(as_cells([4, 4], [4, INF], count=[3, 1]))
    assert curve.survival == pytest.approx([0.25, 0], abs=1e-9)


def test_one_cell_and_identical_lives_have_one_mass():
    curve = fit_turnbull(as_cells([300], [330], count=[40]))
    assert (curve.left.tolist(), curve.right.tolist(), curve.mass.tolist()) == ([300], [330], [1.0])
    assert fit_turnbull(as_cells([7] * 5, [7] * 5)).at(np.array([6.9, 7])).tolist() == [1, 0]


def test_without_failures_every_life_goes_on():
    curve = fit_turnbull(as_cells([100, 200], [INF, INF]))
    assert (curve.left.tolist(), curve.right.tolist()) == ([200], [INF])
    assert curve.at(np.array([100.0, 900.0])).tolist() == [1, 1]


def test_no_lives_and_lives_watched_late_are_refused():
    with pytest.raises(Nonsense, match="at least one life"):
        fit_turnbull(as_cells([], []))
    with pytest.raises(Nonsense, match="from a later age"):
        fit_turnbull(as_cells([20], [30], entry=[10]))


looks = st.lists(
    st.tuples(st.integers(0, 30), st.one_of(st.integers(1, 9), st.none())), min_size=1, max_size=15
)


@given(looks)
@settings(max_examples=80)
def test_no_other_curve_makes_the_lives_likelier(drawn):
    # The gradient condition of a maximum: no single mass may gain (Lindsay 1983, from memory).
    left = np.array([float(start) for start, _ in drawn])
    right = np.array([INF if wait is None else start + wait for start, wait in drawn])
    curve = fit_turnbull(as_cells(left, right))
    assert np.isfinite(curve.mass).all()
    assert (curve.mass >= 0).all()
    assert curve.survival[-1] == 0
    covers = (curve.left >= left[:, None]) & (curve.right <= right[:, None])
    gain = (covers / (covers @ curve.mass)[:, None]).sum(axis=0) / len(left)
    assert gain.max() <= 1 + 1e-3
