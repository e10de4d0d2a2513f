"""The one wall clock, and the calendar date it shows in a site's zone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

OFFSET_VARIABLE = "WICKROUND_CLOCK_OFFSET_SECONDS"

_played: ContextVar[datetime | None] = ContextVar("wickround_clock_played", default=None)
_standing_at: datetime | None = None


def now() -> datetime:
    """The current instant, aware, in UTC.

    An instant given to ``playing`` comes first, then one given to ``set_to``; else the machine's time, moved by
    the seconds in the environment variable ``WICKROUND_CLOCK_OFFSET_SECONDS`` (a served demo lives in its own past).
    Raises ValueError if that variable is not a number.
    """
    instant = _played.get() or _standing_at
    if instant is not None:
        return instant
    offset = os.environ.get(OFFSET_VARIABLE)
    wall = datetime.now(UTC)
    return wall + timedelta(seconds=float(offset)) if offset else wall


def machine() -> datetime:
    """The machine's own instant, in UTC, whatever time is played: for what others compare with their clocks, on the network."""
    return datetime.now(UTC)


def today(zone: str) -> date:
    """The calendar date now in an IANA zone ("Europe/Berlin")."""
    return local_date(now(), zone)


def local_date(instant: datetime, zone: str) -> date:
    """The calendar date that an aware instant has in an IANA zone.

    Raises ValueError for a naive instant, zoneinfo.ZoneInfoNotFoundError for an unknown zone.
    """
    return _aware(instant).astimezone(zone_of(zone)).date()


@contextmanager
def playing(instant: datetime) -> Iterator[None]:
    """Hold the clock at an aware instant inside the block, in this thread (or asynchronous task) only."""
    token = _played.set(_aware(instant).astimezone(UTC))
    try:
        yield
    finally:
        _played.reset(token)


def set_to(instant: datetime | None) -> None:
    """Hold the clock of the whole process at an aware instant; None lets it run again."""
    global _standing_at  # noqa: PLW0603 - the clock is the one thing a process shares on purpose
    _standing_at = None if instant is None else _aware(instant).astimezone(UTC)


def _aware(instant: datetime) -> datetime:
    if instant.utcoffset() is None:
        raise ValueError(f"The instant {instant.isoformat()} has no offset from UTC.")
    return instant


@lru_cache(maxsize=1024)
def zone_of(name: str) -> ZoneInfo:
    """An IANA zone by its name, the same object each time. Raises zoneinfo.ZoneInfoNotFoundError for an unknown one."""
    # ZoneInfo has a cache of its own, but its look-up costs more than all else in local_date.
    return ZoneInfo(name)
