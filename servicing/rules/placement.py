"""Whether a unit may hang at a station: checks made before it is installed. Advice from what was found, not an approval."""

from __future__ import annotations

RULE = "incompatible_liquids"
RULE_VERSION = 1

# The liquid's family and the cleaners' product. An acid and hypochlorite together give off chlorine gas (stated so by the
# usual safety notes on bleach, read second-hand; the safety data sheets of both rule).
NEVER_TOGETHER = frozenset({("acid", "hypochlorite")})


def outcome_of_liquids(family: str, bowl_product: str | None) -> str:
    """``breaks`` for a pair that must never meet, ``not_measured`` where the product is unknown, else ``meets``."""
    if bowl_product is None:
        return "not_measured"
    return "breaks" if (family, bowl_product) in NEVER_TOGETHER else "meets"
