"""Seeded streams: every entity of the invented world draws from its own, so that one more operator leaves the others alone.

Only ``random()`` of the generator is used, with inverse formulas written here: its other methods may change between
versions of Python, its ``random()`` for a given seed does not.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from datetime import datetime
from hashlib import sha256
from typing import TypeVar
from uuid import UUID, uuid5

from accounts.ids import uuid7

T = TypeVar("T")

NAMESPACE = UUID("6f0c1d5e-2c1a-5b7e-9d43-7a6c1f0e5b21")


def demo_id(seed: str, operator: str, kind: str, index: object) -> UUID:
    """The UUIDv5 of an entity of the invented world."""
    return uuid5(NAMESPACE, f"{seed}|{operator}|{kind}|{index}")


class Stream:
    """Draws of one entity, a pure function of (seed, operator, kind, index)."""

    __slots__ = ("draw",)

    def __init__(self, seed: str, operator: str, kind: str, index: object) -> None:
        digest = sha256(f"{seed}|{operator}|{kind}|{index}".encode()).digest()
        self.draw = random.Random(int.from_bytes(digest[:8], "big")).random

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.draw()

    def whole(self, low: int, high: int) -> int:
        """A whole number from ``low`` to ``high``, both included."""
        return low + int(self.draw() * (high - low + 1))

    def chance(self, probability: float) -> bool:
        return self.draw() < probability

    def pick(self, items: Sequence[T]) -> T:
        return items[int(self.draw() * len(items))]

    def weighted(self, items: Sequence[tuple[T, float]]) -> T:
        """One of ``items`` by its weight; the weights need not sum to 1."""
        left = self.draw() * sum(weight for _, weight in items)
        for item, weight in items:
            left -= weight
            if left < 0:
                return item
        return items[-1][0]

    def normal(self) -> float:
        """A standard normal draw (Box and Muller 1958, the cosine half)."""
        radius = math.sqrt(-2.0 * math.log(1.0 - self.draw()))
        return radius * math.cos(2.0 * math.pi * self.draw())

    def lognormal(self, sigma: float) -> float:
        """exp(sigma z): median 1."""
        return math.exp(sigma * self.normal())

    def weibull(self, shape: float, scale: float) -> float:
        """Scale times (-ln(1-u))^(1/shape): the inverse of the Weibull distribution function."""
        return scale * (-math.log(1.0 - self.draw())) ** (1.0 / shape)

    def poisson_gap(self, rate: float) -> float:
        """The wait until the next event of a constant rate: -ln(1-u)/rate."""
        return -math.log(1.0 - self.draw()) / rate

    def shuffled(self, items: Sequence[T]) -> list[T]:
        keyed = [(self.draw(), place) for place in range(len(items))]
        return [items[place] for _, place in sorted(keyed)]

    def uuid7(self, at: datetime) -> UUID:
        """An event's id: a UUIDv7 in form, its time from ``at``, the rest from this stream."""
        high, low = int(self.draw() * (1 << 40)), int(self.draw() * (1 << 40))
        return uuid7(at, ((high << 40) | low).to_bytes(10, "big"))
