"""What stations are called that are made by counting fixtures: "Urinal 1", "Urinal 2", "Water closet 1"."""

from __future__ import annotations

from collections.abc import Collection

from accounts.languages import N_, _

MOST_AT_ONCE = 60

_NAMES = {"urinal": N_("Urinal {number}"), "water_closet": N_("Water closet {number}")}


def names_of_new(fixture: str, count: int, taken: Collection[str]) -> list[str]:
    """``count`` names for stations at fixtures of a kind, in the language of the moment; numbers that are taken are left out."""
    names: list[str] = []
    number, known = 0, {name.casefold() for name in taken}
    while len(names) < count:
        number += 1
        name = _(_NAMES[fixture], number=number)
        if name.casefold() not in known:
            names.append(name)
    return names
