"""How amounts stand in answers."""

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

AMOUNT = {
    "type": "string",
    "pattern": r"^-?\d+(?:\.\d+)?$",
    "description": "With all minor units of its currency.",
}


@extend_schema_field(AMOUNT)
class Amount(serializers.CharField):
    """An amount as the text it is shown as."""
