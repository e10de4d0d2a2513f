"""What crews saw of wicks from look to look: what a condition seen means for the time after it, and what washing does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

GOOD, SLOW, FAILED, UNSEEN = "good", "slow", "failed", "unseen"


class WickLine(NamedTuple):
    """One event of a unit that tells of its wick: when (epoch seconds), its type, and the word in it ("" for none)."""

    unit: str
    at_s: int
    type: str
    word: str


class Look(NamedTuple):
    """From one look at a wick to the next: the condition seen at the first, ages in days, whether the next found it failed."""

    unit: str
    condition: str
    from_days: float
    until_days: float
    failed: bool


@dataclass(slots=True)
class Looks:
    """All looks of a fleet; ``washed`` wicks that were slow or failed and looked at again, ``recovered``: found good."""

    looks: list[Look] = field(default_factory=list)
    washed: int = 0
    recovered: int = 0


def looks_of(lines: Iterable[WickLine]) -> Looks:
    """Read the lines of many units, each unit's together and in order. A wick of unknown age leaves no look.

    Nor does one that was in when its operator began. A wick counts as unseen from its fitting until it is looked at. From a washing to the next look tells what washing
    does and nothing else. After it was seen failed nothing more is learnt of it until it is washed or changed.
    """
    found = Looks()
    wick = _Wick("", None)
    for line in lines:
        if line.unit != wick.unit or line.type == "unit.installed":
            wick = _Wick(
                line.unit, line.at_s if line.type == "unit.installed" and line.word == "new" else None
            )
        elif line.type == "unit.opened":
            continue  # of a unit that is new here it has been taken; of any other it says nothing
        elif line.type == "wick.changed":
            if line.word == FAILED:
                wick.see(FAILED, line.at_s, found)
            wick = _Wick(line.unit, line.at_s)
        elif line.type == "wick.washed":
            wick.wash()
        elif line.type == "wick.checked":
            wick.see(line.word, line.at_s, found)
        else:
            wick = _Wick(line.unit, None)
    return found


@dataclass(slots=True)
class _Wick:
    unit: str
    born_s: int | None
    condition: str = UNSEEN
    seen_s: int = 0
    is_washed: bool = False
    needed_it: bool = False

    def __post_init__(self) -> None:
        self.seen_s = self.born_s or 0

    def wash(self) -> None:
        self.is_washed = True
        self.needed_it = self.needed_it or self.condition in {SLOW, FAILED}

    def see(self, condition: str, at_s: int, found: Looks) -> None:
        if self.needed_it:
            found.washed += 1
            found.recovered += condition == GOOD
        if self.born_s is not None and not self.is_washed and self.condition != FAILED and at_s > self.seen_s:
            ages = (self.seen_s - self.born_s) / 86_400, (at_s - self.born_s) / 86_400
            found.looks.append(Look(self.unit, self.condition, *ages, failed=condition == FAILED))
        self.condition, self.seen_s, self.is_washed, self.needed_it = condition, at_s, False, False
