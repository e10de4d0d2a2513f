"""From events and frozen inputs to dispositions and charges: pure, in any order of arrival the same."""

from billing.rules.months import month_after, month_of, months_between
from billing.rules.rating.charges import Charge, Held, Rated, Rule, charge_key
from billing.rules.rating.places import Work, rate

__all__ = [
    "Charge",
    "Held",
    "Rated",
    "Rule",
    "Work",
    "charge_key",
    "month_after",
    "month_of",
    "months_between",
    "rate",
]
