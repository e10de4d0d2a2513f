"""How much a unit drips and when it runs dry, from what crews found in it. Volumes in mL, doses in mL a day, no float."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

SECONDS_PER_DAY = 86_400
INTERVALS_COUNTED = 3
SMALLEST_DOSE = Decimal("0.001")
# No unit can be set to drip more; a greater estimate comes of two visits a moment apart.
GREATEST_DOSE = Decimal(500)
LATEST_DRY_AT = datetime(9999, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Interval:
    """What one unit did between two visits that filled and read it.

    ``available_ml`` was in cartridge and reservoir at its start, ``consumed_ml`` (None: not read) is the mass balance
    over ``seconds``. ``was_empty``: cartridge and reservoir were both empty on arrival, so the unit ran dry at an
    unknown moment before, and all that is known is that it drips at least available / time.
    """

    available_ml: int
    consumed_ml: int | None
    seconds: int
    was_empty: bool


def consumed_ml(
    charge_prev: int,
    reservoir_after_prev: int,
    cartridge_left: int,
    reservoir_before: int,
    wiped_out_ml: int = 0,
) -> int:
    """What dripped out between two exchanges, in mL, by mass balance: what was in, less what is left and wiped out.

    ``charge_prev`` is the content of the cartridge put in last time, ``reservoir_after_prev`` what the reservoir held
    then, ``cartridge_left`` and ``reservoir_before`` what is found now before any work. A negative result means that
    the readings contradict each other; it is returned as it is.
    """
    return charge_prev + reservoir_after_prev - cartridge_left - reservoir_before - wiped_out_ml


def dose_estimate(
    intervals: Sequence[Interval], set_dose: Decimal | None, nominal: Decimal | None
) -> Decimal | None:
    """The dose to reckon with, in mL a day to 0.001 (half up); None if nothing is known.

    Of ``intervals`` (oldest first) the last three count. The readable ones give their mean rate: all they consumed
    over all their time. Without any, the dose set on the unit holds, else the cartridge's nominal dose. Intervals that
    ended empty are right-censored observations (Tobin 1958): they never enter the mean, which would come out low and
    the dry date late; they only raise the estimate to at least what was available over the time. The estimate is never
    more than the greatest dose that a unit can be set to.
    """
    latest = [interval for interval in intervals[-INTERVALS_COUNTED:] if interval.seconds > 0]
    known = _mean_rate(latest) or _positive(set_dose) or _positive(nominal)
    bounds = [
        _per_day(one.available_ml, one.seconds) for one in latest if one.was_empty and one.available_ml > 0
    ]
    candidates = bounds if known is None else [known, *bounds]
    if not candidates:
        return None
    return min(GREATEST_DOSE, max(SMALLEST_DOSE, max(candidates).quantize(SMALLEST_DOSE, ROUND_HALF_UP)))


def dry_at(level_ml: int, level_at: datetime, dose_ml_per_day: Decimal) -> datetime:
    """When ``level_ml``, read at an aware instant, has dripped away: an instant in UTC, whole seconds, at latest the
    year 9999.

    Constant dose to the last drop; the tail of an emptying reservoir drips slower, so truly dry is a little later.
    Raises ValueError for a negative level, a dose that is not positive, or a naive instant.
    """
    if level_ml < 0:
        raise ValueError(f"A level is 0 mL or more, not {level_ml}.")
    if dose_ml_per_day <= 0:
        raise ValueError(f"A dose is more than 0 mL a day, not {dose_ml_per_day}.")
    if level_at.utcoffset() is None:
        raise ValueError(f"The instant {level_at.isoformat()} has no offset from UTC.")
    read_at = level_at.astimezone(UTC)
    seconds = int(level_ml * SECONDS_PER_DAY / dose_ml_per_day)
    if seconds >= (LATEST_DRY_AT - read_at) // timedelta(seconds=1):
        return LATEST_DRY_AT
    return read_at + timedelta(seconds=seconds)


def _mean_rate(intervals: Sequence[Interval]) -> Decimal | None:
    consumed = seconds = 0
    for one in intervals:
        if not one.was_empty and one.consumed_ml is not None and one.consumed_ml > 0:
            consumed += one.consumed_ml
            seconds += one.seconds
    return _per_day(consumed, seconds) if seconds else None


def _per_day(volume_ml: int, seconds: int) -> Decimal:
    return Decimal(volume_ml * SECONDS_PER_DAY) / seconds


def _positive(dose: Decimal | None) -> Decimal | None:
    return dose if dose is not None and dose > 0 else None
