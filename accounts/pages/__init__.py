"""The pages of accounts; other apps' pages come in by its door and use its fields."""

from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, actor_for, operator_page, reading_in
from accounts.pages.fields import DayField, HardnessField, VolumeField, decimal_typed, say

__all__ = [
    "TO_ACT",
    "DayField",
    "HardnessField",
    "OperatorRequest",
    "VolumeField",
    "actor_for",
    "decimal_typed",
    "operator_page",
    "reading_in",
    "say",
]
