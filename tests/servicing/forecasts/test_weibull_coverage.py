"""The 95 % intervals of a wick life hold the truth about as often as they say. The lives are drawn, by a fixed seed."""

import numpy as np

from demo_tenant.scoring.weibull_coverage import CHANGED_DAYS, WICKS, visited_wicks, weibull_coverage


def test_intervals_hold_the_truth_in_about_95_of_100_fleets():
    # 200 fleets: four standard errors of 1.5 % each way. Intervals half as wide hold it in 67 of 100.
    found = weibull_coverage(seeds=20)
    assert found["fleets"] == 200
    assert set(found["coverage"]) == {"scale_days", "shape", "tenth_days"}
    assert all(0.888 <= share <= 1 for share in found["coverage"].values())
    assert min(found["coverage"].values()) < 1


def test_the_drawn_wicks_are_visited_monthly_and_changed_in_time():
    left, right, entry = visited_wicks(np.random.default_rng(0))
    failed = np.isfinite(right)
    assert len(left) == WICKS
    assert 0.3 < failed.mean() < 0.9
    assert ((right - left)[failed] >= 26).all()
    assert ((right - left)[failed] <= 35).all()
    assert (left[~failed] >= CHANGED_DAYS).all()
    assert (entry <= left).all()
    assert 0.1 < (entry > 0).mean() < 0.3
