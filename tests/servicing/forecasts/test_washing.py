"""How often washing brings a wick back. Source: scipy's Beta posterior; the prior of two and two is ours."""

import math

import pytest
from scipy import stats

from servicing.rules.nonsense import Nonsense
from servicing.rules.washing import chance_recovers


def test_the_success_of_washing_is_shrunk_to_what_is_common():
    # The Beta-binomial posterior by scipy: prior 2 and 2, ours.
    found = chance_recovers([0, 3, 60], [0, 3, 80])
    posterior = stats.beta([2, 5, 62], [2, 2, 22])

    assert found.mean == pytest.approx(posterior.mean())
    assert found.low == pytest.approx(posterior.ppf(0.025))
    assert found.high == pytest.approx(posterior.ppf(0.975))


@pytest.mark.parametrize(
    ("recovered", "washed"), [(4, 3), (-1, 3), (math.nan, 3), (1, math.inf), ([1, 2], [3])]
)
def test_more_wicks_recovered_than_washed_are_refused(recovered, washed):
    with pytest.raises(Nonsense, match="recovered"):
        chance_recovers(recovered, washed)
