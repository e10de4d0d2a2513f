"""The pictures and numbers of the month sheet: twelve months as bars, each with a stroke for the year before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django import template

from accounts import phrases

register = template.Library()

MONTHS = 12
GAP = 0.3  # of a month's slot
STROKE = 1.5  # how far the stroke of the year before stands out beside its bar

Value = float | Decimal | None


@dataclass(frozen=True, slots=True)
class Bar:
    """Lengths in the picture's own box, as SVG writes numbers in any language; ``before_y`` "": no year before is known."""

    month: date | None
    x: str
    y: str
    width: str
    height: str
    middle: str
    before_y: str
    before_x: str
    before_end: str


@register.simple_tag
def twelve_bars(
    values: Sequence[Value], width: int, height: int, months: Sequence[date] | None = None
) -> list[Bar]:
    """Bars of the last twelve of 24 values in a box of ``width`` by ``height``, all from zero; a missing one has no height."""
    numbers = [None if value is None else float(value) for value in values]
    known = [number for number in numbers if number is not None]
    low, high = min([0.0, *known]), max([0.0, *known])
    span = (high - low) or 1.0
    slot = width / MONTHS

    def y(number: float) -> float:
        return height - height * (number - low) / span

    named: Sequence[date | None] = months or [None] * MONTHS
    bars = []
    for at, (number, before) in enumerate(zip(numbers[-MONTHS:], numbers[:MONTHS], strict=True)):
        x, wide = slot * at + slot * GAP / 2, slot * (1 - GAP)
        top = y(max(number or 0.0, 0.0))
        lengths = (x, top, wide, y(min(number or 0.0, 0.0)) - top, x + wide / 2)
        stroke = (None if before is None else y(before), x - STROKE, x + wide + STROKE)
        said = ("" if one is None else f"{one:.1f}" for one in (*lengths, *stroke))
        bars.append(Bar(named[at], *said))
    return bars


@register.filter
def tenths(value: float | Decimal) -> str:
    """A number to a tenth: "1,234.5"."""
    return phrases.number(value, 1)


@register.filter
def fine_share(value: float | Decimal) -> str:
    """A share to a tenth of a per cent: "1.9 %"."""
    return f"{phrases.number(100 * value, 1)} %"


@register.filter
def size(change: float | Decimal) -> str:
    """How large a change is, whichever way, to a tenth of a per cent."""
    return fine_share(-change if change < 0 else change)
