"""The fold of one unit: its effective events in canonical order, one after the other, into its history."""

from servicing.rules.unit.folding import Line, fold_lines, fold_unit
from servicing.rules.unit.history import DOWN_MODES, UnitHistory, instant_text, key_of
from servicing.rules.unit.steps import KEPT_WICKS

__all__ = [
    "DOWN_MODES",
    "KEPT_WICKS",
    "Line",
    "UnitHistory",
    "fold_lines",
    "fold_unit",
    "instant_text",
    "key_of",
]
