"""How dates and counts read in a sentence, on pages and in errors."""

from __future__ import annotations

from datetime import date

from accounts import clock


def day(on: date | None) -> str:
    """A date as "Thu 26 Nov", with its year when that is not this year's; nothing for no date."""
    if on is None:
        return ""
    year = f" {on.year}" if on.year != clock.now().year else ""
    return f"{on:%a} {on.day} {on:%b}{year}"


def count(number: int, noun: str) -> str:
    """A number with its noun: "1 unit", "9 units"."""
    return f"{number:,} {noun if number == 1 else noun + 's'}"
