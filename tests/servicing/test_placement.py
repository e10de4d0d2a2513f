"""The rule on liquids that must never meet. That hypochlorite and an acid give off chlorine is the usual safety note on
bleach (from memory; the safety data sheets of both liquids rule)."""

import pytest

from servicing.rules.placement import outcome_of_liquids


@pytest.mark.parametrize(
    ("family", "product", "outcome"),
    [
        ("acid", "hypochlorite", "breaks"),
        ("acid", "neutral", "meets"),
        ("acid", "none", "meets"),
        ("acid", None, "not_measured"),
        ("enzyme", "hypochlorite", "meets"),
        ("neutral", None, "not_measured"),
    ],
)
def test_only_a_pair_that_must_never_meet_breaks_the_rule(family, product, outcome):
    assert outcome_of_liquids(family, product) == outcome
