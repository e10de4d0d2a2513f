"""How amounts stand in answers."""

AMOUNT = {
    "type": "string",
    "pattern": r"^-?\d+(?:\.\d+)?$",
    "description": "With all minor units of its currency.",
}
