"""What dripped out between two exchanges: arithmetic, written out beside the case."""

from __future__ import annotations

import pytest

from servicing.rules.balance import consumed_ml


@pytest.mark.parametrize(
    ("readings", "wiped_out", "consumed"),
    [
        pytest.param((500, 60, 120, 55), 0, 385, id="500 put in over 60, 120 and 55 left"),
        pytest.param((500, 60, 120, 0), 55, 385, id="the reservoir was wiped out in between"),
        pytest.param((500, 0, 0, 0), 0, 500, id="empty on arrival: all of it"),
        pytest.param((500, 60, 500, 60), 0, 0, id="nothing dripped"),
        pytest.param((500, 60, 500, 80), 0, -20, id="readings that contradict each other show as they are"),
    ],
)
def test_the_mass_balance(readings, wiped_out, consumed):
    assert consumed_ml(*readings, wiped_out_ml=wiped_out) == consumed
