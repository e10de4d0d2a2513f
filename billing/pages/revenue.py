"""Revenue by month as a picture: bars of twelve months, each with a stroke for the same month of the year before."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from babel.numbers import get_decimal_symbol

from accounts import phrases
from accounts.languages import N_, _, cldr, manner
from billing.queries.revenue import MonthBilled

MONTHS = 12
LEFT, RIGHT, TOP, BOTTOM = 52, 632, 14, 150
STROKE = 4  # how far the stroke of the year before stands out beside its bar
STEPS = (Decimal(1), Decimal(2), Decimal("2.5"), Decimal(5), Decimal(10))
GAP = Decimal("0.36")  # of a month's slot
MOST_TICKS = 4
UNITS = (
    (Decimal(1_000_000), Decimal(1_000_000), N_("{number} m")),
    (Decimal(10_000), Decimal(1_000), N_("{number} k")),
)


@dataclass(frozen=True, slots=True)
class Tick:
    y: Decimal
    label_y: Decimal
    word: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A month with its amounts; lengths in a box of 640 by 180."""

    month: date
    billed: MonthBilled
    before: Decimal | None
    x: Decimal
    width: Decimal
    y: Decimal
    height: Decimal
    middle: Decimal
    before_y: Decimal | None
    before_x: Decimal
    before_end: Decimal
    word: str
    year: str


@dataclass(frozen=True, slots=True)
class Picture:
    bars: list[Bar]
    ticks: list[Tick]
    zero_y: Decimal
    total: Decimal
    before_total: Decimal | None
    has_before: bool


def back_by(month: date, months: int) -> date:
    """The first day of the month so many months before."""
    years, index = divmod(month.year * 12 + month.month - 1 - months, 12)
    return date(years, index + 1, 1)


def picture(months: Sequence[MonthBilled], last: date) -> Picture | None:
    """Twelve months up to ``last`` beside the twelve before; None when nothing was billed in any."""
    found = {one.month: one for one in months}
    shown = [back_by(last, MONTHS - 1 - at) for at in range(MONTHS)]
    if not any(month in found for month in shown):
        return None
    before = {month: found[ago].net for month in shown if (ago := back_by(month, 12)) in found}
    nothing = Decimal(0)
    rows = [found.get(month, MonthBilled(month, nothing, nothing)) for month in shown]
    values = [row.net for row in rows] + list(before.values())
    ticks = _ticks(min(nothing, *values), max(nothing, *values))
    low, high = ticks[0], ticks[-1]

    def y(value: Decimal) -> Decimal:
        return round(BOTTOM - (BOTTOM - TOP) * (value - low) / (high - low), 1)

    return Picture(
        bars=[_bar(at, row, before.get(row.month), y) for at, row in enumerate(rows)],
        ticks=[Tick(y(value), y(value) + 4, word) for value, word in zip(ticks, _words(ticks), strict=True)],
        zero_y=y(nothing),
        total=sum((row.net for row in rows), nothing),
        before_total=sum(before.values(), nothing) if len(before) == MONTHS else None,
        has_before=bool(before),
    )


def _bar(at: int, row: MonthBilled, before: Decimal | None, y: Callable[[Decimal], Decimal]) -> Bar:
    slot = Decimal(RIGHT - LEFT) / MONTHS
    x, width = LEFT + slot * at + slot * GAP / 2, slot * (1 - GAP)
    top, zero = y(max(row.net, Decimal(0))), y(min(row.net, Decimal(0)))
    first = at == 0 or row.month.month == 1
    return Bar(
        month=row.month,
        billed=row,
        before=before,
        x=round(x, 1),
        width=round(width, 1),
        y=top,
        height=round(zero - top, 1),
        middle=round(x + width / 2, 1),
        before_y=y(before) if before is not None else None,
        before_x=round(x - STROKE, 1),
        before_end=round(x + width + STROKE, 1),
        word=phrases.short_month(row.month),
        year=str(row.month.year) if first else "",
    )


def _ticks(low: Decimal, high: Decimal) -> list[Decimal]:
    """Round numbers from below ``low`` to above ``high``, a few of them."""
    span = (high - low) or Decimal(1)
    rough = span / MOST_TICKS
    power = Decimal(1).scaleb(rough.adjusted())
    step = next(factor * power for factor in STEPS if factor * power >= rough)
    value = (low // step) * step
    if value > low:
        value -= step
    ticks = [value]
    while ticks[-1] < high or len(ticks) == 1:
        ticks.append(ticks[-1] + step)
    return ticks


def _words(values: Sequence[Decimal]) -> list[str]:
    """The ticks' words, all in one unit: ones, thousands or millions."""
    most = max(abs(value) for value in values)
    size, unit = next(
        ((size, unit) for least, size, unit in UNITS if most >= least), (Decimal(1), "{number}")
    )
    return [_(unit if value else "{number}", number=_figure(value / size)) for value in values]


def _figure(value: Decimal) -> str:
    digits = f"{value.normalize():f}"
    return digits.replace(".", get_decimal_symbol(cldr(manner().locale)))
