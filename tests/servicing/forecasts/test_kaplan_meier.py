"""The share still open after a time, when some cases are still open.

Outside checks: remissions under 6-MP (Freireich 1963, set drug6mp of the R package KMsurv) and maintained leukaemia
(set aml of the R package survival); data read, curves from memory and recomputed. The library lifelines (PyPI) on the
same cases, its interval included.
"""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicing.rules.lifetimes.kaplan_meier import kaplan_meier
from servicing.rules.nonsense import Nonsense

REMISSION_WEEKS = [10, 7, 32, 23, 22, 6, 16, 34, 32, 25, 11, 20, 19, 6, 17, 35, 6, 13, 9, 6, 10]
RELAPSED = [1, 1, 0, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 0]
MAINTAINED_WEEKS = [9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161]
MAINTAINED_RELAPSED = [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0]


def test_remissions_of_leukaemia_under_6_mp():
    at, survival, _, _ = kaplan_meier(REMISSION_WEEKS, RELAPSED)
    assert at.tolist() == [0, 6, 7, 10, 13, 16, 22, 23]
    assert survival == pytest.approx([1, 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)


def test_maintained_leukaemia():
    at, survival, _, _ = kaplan_meier(MAINTAINED_WEEKS, MAINTAINED_RELAPSED)
    assert at.tolist() == [0, 9, 13, 18, 23, 31, 34, 48]
    assert survival == pytest.approx([1, 0.909, 0.818, 0.716, 0.614, 0.491, 0.368, 0.184], abs=5e-4)


@pytest.mark.parametrize(
    ("times", "observed"), [(REMISSION_WEEKS, RELAPSED), (MAINTAINED_WEEKS, MAINTAINED_RELAPSED)]
)
def test_curve_and_interval_against_a_library(times, observed):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, on coming versions of what it imports
        from lifelines import KaplanMeierFitter

        theirs = KaplanMeierFitter().fit(times, observed)
    at, survival, low, high = kaplan_meier(times, observed)
    bounds = theirs.confidence_interval_.loc[at].to_numpy()
    assert survival == pytest.approx(theirs.survival_function_.loc[at].to_numpy()[:, 0], abs=1e-12)
    assert low[1:] == pytest.approx(bounds[1:, 0], abs=1e-9)
    assert high[1:] == pytest.approx(bounds[1:, 1], abs=1e-9)


def test_without_open_cases_it_is_the_share_that_waited_longer():
    _, survival, low, high = kaplan_meier([3, 1, 2, 2], [True] * 4)
    assert survival == pytest.approx([1, 0.75, 0.25, 0])
    assert (low[-1], high[-1]) == (0, high[-2])


def test_with_only_open_cases_nothing_has_ended():
    at, survival, low, high = kaplan_meier([4, 9], [False, False])
    assert (at.tolist(), survival.tolist(), low.tolist(), high.tolist()) == ([0], [1], [1], [1])


@pytest.mark.parametrize(
    ("times", "observed"),
    [([], []), ([1, 2], [True]), ([-1], [True]), ([math.nan], [True]), ([math.inf], [False])],
)
def test_cases_that_cannot_be_are_refused(times, observed):
    with pytest.raises(Nonsense):
        kaplan_meier(times, observed)


@given(st.lists(st.tuples(st.integers(0, 20), st.booleans()), min_size=1, max_size=40))
def test_the_curve_falls_inside_its_interval(cases):
    times, observed = zip(*cases, strict=True)
    _, survival, low, high = kaplan_meier(times, observed)
    assert (np.diff(survival) < 0).all()
    assert (low <= survival + 1e-12).all()
    assert (survival <= high + 1e-12).all()
    assert (low >= 0).all()
    assert (high <= 1).all()
