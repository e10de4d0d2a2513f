"""The invariants of billing, each over a few hundred random worlds; ``make drill ONLY=billing FULL=1`` tries many more."""

import pytest

from tests.billing.invariants import PROPERTIES, Property, tried

EXAMPLES = 60


@pytest.mark.parametrize("one", PROPERTIES, ids=lambda one: one.sentence)
def test_it_holds_in_every_world(one: Property):
    assert tried(one, EXAMPLES) >= EXAMPLES


def test_every_invariant_of_the_pure_rules_is_tried():
    # 7 (numbers) and 17 (e-invoices) have tests of their own: they need a database and a schema.
    assert {number for one in PROPERTIES for number in one.numbers} == {*range(1, 7), *range(8, 17), 18}
