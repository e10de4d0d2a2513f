"""From events and frozen inputs to dispositions and charges: pure, in any order of arrival the same."""

from billing.rules.rating.charges import (
    Charge,
    Rated,
    Rule,
    charge_key,
    month_after,
    month_of,
    months_between,
)
from billing.rules.rating.units import rate_other, rate_unit

__all__ = [
    "Charge",
    "Rated",
    "Rule",
    "charge_key",
    "month_after",
    "month_of",
    "months_between",
    "rate_other",
    "rate_unit",
]
