"""The survival curve of wicks like one unit's, with that unit's own age on it, in a box of 360 by 170."""

from __future__ import annotations

from dataclasses import dataclass

from servicing.queries.wick_age import CURVE_MONTHS, MONTH_DAYS, TABLE_MONTHS, WickAge

LEFT, RIGHT, TOP, BOTTOM = 38.0, 352.0, 12.0, 138.0


@dataclass(frozen=True, slots=True)
class AgeLine:
    """At an age in months, the share of such wicks still working; shares from 0 to 1."""

    months: int
    x: float
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class WickAgePicture:
    """``own_x`` and ``own_y`` where the unit's wick stands, None while its age is not known; ``months`` is its age."""

    line: str
    band: str
    lines: list[AgeLine]
    own_x: float | None
    own_y: float | None
    months: float | None


def wick_age_picture(age: WickAge) -> WickAgePicture:
    months = range(CURVE_MONTHS + 1)
    line, low, high = (
        [(_x(month), _y(float(shares[month]))) for month in months]
        for shares in (age.curve.share, age.curve.low, age.curve.high)
    )
    own = age.age_days / MONTH_DAYS if age.age_days is not None else None
    return WickAgePicture(
        line=_points(line),
        band=_points([*high, *reversed(low)]),
        lines=[
            AgeLine(
                month,
                _x(month),
                *(float(one[month]) for one in (age.curve.share, age.curve.low, age.curve.high)),
            )
            for month in TABLE_MONTHS
        ],
        own_x=_x(own) if own is not None else None,
        own_y=_y(age.share) if age.share is not None else None,
        months=own,
    )


def _x(months: float) -> float:
    return round(LEFT + (RIGHT - LEFT) * min(months, CURVE_MONTHS) / CURVE_MONTHS, 1)


def _y(share: float) -> float:
    return round(BOTTOM - (BOTTOM - TOP) * min(1.0, max(0.0, share)), 1)


def _points(points: list[tuple[float, float]]) -> str:
    return " ".join(f"{x},{y}" for x, y in points)
