"""The life of wicks like one unit's: the share still working by age, and what that says of the wick that hangs there."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from fleet import queries as fleet
from servicing.queries.forecasting import live_fits
from servicing.rules.lifetimes.curves import FleetCurve, fleet_chance, fleet_curve
from servicing.rules.water import hardness_class

MONTH_DAYS = 365.25 / 12
CURVE_MONTHS = 30
TABLE_MONTHS = (0, 6, 12, 18, 24, 30)


@dataclass(frozen=True, slots=True)
class WickAge:
    """``curve`` month by month from 0 to 30. ``age_days`` and what hangs on it are None while the age is not known.

    ``share`` of such wicks still work at that age (``share_low`` to ``share_high``, 95 %), and ``chance`` is that of one
    which does to fail in the month after. ``is_prior``: assumed, since too few wicks have been seen to fail.
    """

    curve: FleetCurve
    is_prior: bool
    age_days: int | None
    share: float | None
    share_low: float | None
    share_high: float | None
    chance: float | None


def wick_age(
    site_kind: str, hardness_mg_per_l: int | None, cartridge_id: UUID | None, age_days: int | None
) -> WickAge:
    """Of wicks in this kind of site, water and liquid, by the operator's live fit."""
    facts = fleet.cartridge_facts([cartridge_id]).get(cartridge_id) if cartridge_id else None
    fits = live_fits().wick
    labels = [(site_kind, hardness_class(hardness_mg_per_l), facts.family if facts else "neutral")]
    ages = [MONTH_DAYS * month for month in range(CURVE_MONTHS + 1)]
    curve = fleet_curve(fits.life, labels, [1], ages)
    if age_days is None:
        return WickAge(curve, fits.is_prior, None, None, None, None, None)
    now = fleet_curve(fits.life, labels, [1], [float(age_days)])
    chance, _low, _high = fleet_chance(fits.life, labels, [1], float(age_days), MONTH_DAYS)
    share, low, high = (float(one[0]) for one in (now.share, now.low, now.high))
    return WickAge(curve, fits.is_prior, age_days, share, low, high, chance)
