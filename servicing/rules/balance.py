"""What a unit's mass balance between two charges is made of, and what disturbs it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

# Balances that a history keeps: a year and a half of monthly visits.
KEPT_INTERVALS = 18

# What happened between two charges and disturbs their balance, in the order in which it is written down: the wick was
# changed or seen failed, the outlet was plugged, liquid leaked, another fault was there, the dose was set.
MARKS = "wolsd"
FAULT_MARKS = {"LOO": "w", "PLU": "o", "ELU": "l", "HIO": "l", "STD": "s", "TMP": "s", "MIS": "s"}

# The items of a balance: when it ended in epoch seconds, how long it took, what was there at its start, what was left in
# the cartridge and found in the reservoir (None: not read), what was wiped out in between, and the marks.
FIELDS = ("ended_s", "seconds", "available_ml", "left_ml", "before_ml", "wiped_ml", "marks")

# Of a charge before the log began only the day is known. From ten days on that is within five per cent of its dose.
LEAST_FROM_A_DAY_S = 10 * 86_400

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = timedelta(seconds=1)


def epoch_s(instant: str) -> int:
    """An ISO 8601 instant with its offset as whole seconds since 1970, the part of a second left out."""
    return (datetime.fromisoformat(instant) - _EPOCH) // _SECOND


def seconds_between(since: str, at: str) -> int:
    """Whole seconds from one ISO 8601 instant to another."""
    return (datetime.fromisoformat(at) - datetime.fromisoformat(since)) // _SECOND


def marked(marks: str, mark: str) -> str:
    """``marks`` with ``mark`` among them (nothing where it is empty), each once, in the order of ``MARKS``."""
    return "".join(one for one in MARKS if one in marks or one == mark)


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


def is_more_than_filled(
    charge_ml: int, reservoir_after_ml: int, left_ml: int | None, before_ml: int | None, wiped_ml: int
) -> bool:
    """Whether what is found (None: not read) is more than what was there: more than the cartridge held, or than both."""
    if left_ml is None:
        return False
    if before_ml is None:
        return left_ml > charge_ml
    return left_ml > charge_ml or consumed_ml(charge_ml, reservoir_after_ml, left_ml, before_ml, wiped_ml) < 0


def is_dry_while_fed(left_ml: int | None, reservoir_ml: int | None) -> bool:
    """Whether a reservoir was read dry under a cartridge that holds liquid, which feeds it until it is empty itself."""
    return reservoir_ml == 0 and left_ml is not None and left_ml > 0
