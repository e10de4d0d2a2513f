"""What a unit's events say of it, as plain values that can be stored."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import attrgetter, itemgetter
from typing import Any
from uuid import UUID

from servicing.rules import balance

DOWN_MODES = {"PLU", "NOO", "MIS"}


@dataclass(slots=True)
class UnitHistory:
    """What a unit's events say of it. Plain JSON values, so that two histories compare byte for byte.

    Instants are ISO 8601 in UTC, names that end in ``_s`` epoch seconds; volumes mL. ``intervals`` holds the latest mass
    balances between charges, oldest first, their items as ``balance.FIELDS`` names them; ``marks`` and ``is_cleaned``
    (the reservoir) tell of the time since the last charge. ``wick_good_s`` is when the wick was last seen not failed
    (fitting it new counts), ``wick_failed_s`` when it was first seen failed after that; washing takes the failure back.
    ``wick_lives`` holds the latest wicks that ended (changed, or withdrawn with the unit) and whose beginning is known, as
    [fitted, good, failed or None, ended] in epoch seconds; they stay when the unit comes back.

    A unit that hung before its operator began was not installed but opened: ``installed_at`` is then when it came into
    the log, as ``opened_at`` is, ``said_installed_on`` the day on which it is said to have been put up, and the charge,
    the last exchange, the wick and the cleaning may lie before. ``wick_entered_at``: the same of its wick, while that is
    in; such a wick joins no lives, since of those that began with it only the ones that lasted were ever seen.
    """

    station_id: str | None = None
    installed_at: str | None = None
    withdrawn_at: str | None = None
    ever_installed: bool = False
    opened_at: str | None = None
    said_installed_on: str | None = None
    cartridge_id: str | None = None
    charge_ml: int | None = None
    charged_at: str | None = None
    reservoir_after_ml: int = 0
    wiped_out_ml: int = 0
    is_cleaned: bool = False
    marks: str = ""
    last_exchange_at: str | None = None
    level_ml: int | None = None
    level_at: str | None = None
    left_at_exchange_ml: int | None = None
    intervals: list[list[Any]] = field(default_factory=list)
    set_dose_ml_per_day: str | None = None
    wick_since: str | None = None
    wick_entered_at: str | None = None
    wick_condition: str | None = None
    wick_checked_at: str | None = None
    wick_good_s: int | None = None
    wick_failed_s: int | None = None
    wick_lives: list[list[Any]] = field(default_factory=list)
    wick_washed_at: str | None = None
    reservoir_cleaned_at: str | None = None
    outlet_cleared_at: str | None = None
    open_faults: dict[str, str] = field(default_factory=dict)
    reports: dict[str, list[str]] = field(default_factory=dict)
    closed_before_received: list[str] = field(default_factory=list)
    acknowledged: dict[str, str] = field(default_factory=dict)
    findings: list[list[str]] = field(default_factory=list)
    last_key: list[Any] | None = None

    def to_json(self) -> dict[str, Any]:
        return dict(zip(_NAMES, _ITEMS(self), strict=True))

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> UnitHistory:
        # One of an older release has fewer items.
        history = cls(*_VALUES(stored)) if len(stored) == len(_NAMES) else cls(**stored)
        # Until the rebuild after a release a history may hold balances of an older shape, which say less.
        if history.intervals and len(history.intervals[0]) != len(balance.FIELDS):
            history.intervals = []
        return history

    @property
    def is_installed(self) -> bool:
        return self.installed_at is not None and self.withdrawn_at is None

    @property
    def served_at(self) -> str | None:
        """From when on a due day's window has to open to be open: its last exchange, else when it came into service."""
        return self.last_exchange_at or self.installed_at

    @property
    def status(self) -> str:
        """The unit's state after EN 13306: up, degraded, down; or withdrawn; or printed before it is installed."""
        if not self.is_installed:
            return "withdrawn" if self.ever_installed else "printed"
        if DOWN_MODES & self.open_faults.keys():
            return "down"
        return "degraded" if self.open_faults else "up"


# By place a history is read far sooner than by name, which jsonb gives in an order of its own.
_NAMES = [one.name for one in dataclasses.fields(UnitHistory)]
_VALUES, _ITEMS = itemgetter(*_NAMES), attrgetter(*_NAMES)


def instant_text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="microseconds")


def key_of(history: UnitHistory) -> tuple[datetime, UUID, int, UUID] | None:
    """The canonical key up to which a history is folded."""
    if history.last_key is None:
        return None
    at, device, sequence, event_id = history.last_key
    return (datetime.fromisoformat(at), UUID(device), sequence, UUID(event_id))
