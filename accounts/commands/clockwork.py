"""What each operator is owed by the clock, and when. All of it is due-ness in rows: a tick only makes the rows.

Each slot is owed once, so that any number of clocks may tick at once. After a time without a clock the next tick makes good
what was missed. Most kinds look at everything that is not yet done: for them the newest slot does for all before it, and
none is owed while one still waits. The others are owed the days that were missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from accounts import clock, jobs
from accounts.commands import auditing

SWEEP = "servicing.tasks.sweep"
SEAL = "servicing.tasks.seal"
REFIT = "servicing.tasks.refit"
NIGHTLY = "billing.tasks.nightly"
ANNOUNCE_TOMORROW = "servicing.tasks.announce_tomorrow"
# Who is to be told of alerts: looked at each quarter of an hour, since zones begin their hours at one.
LOOK_AT_NOTICES = "servicing.tasks.look_at_notices"


@dataclass(frozen=True, slots=True)
class Often:
    """Owed once in so many minutes of the hour, so that a minute without a tick costs nothing.

    ``spread_seconds``: over these the operators are spread, each always at its own second. A later slot sorts after an
    earlier one, by which what was made good is known.
    """

    kind: str
    minutes: int
    spread_seconds: int = 1

    def slot(self, now: datetime) -> str:
        return (
            f"{now:%Y-%m-%dT%H:%M}"
            if self.minutes == 1
            else f"{now:%Y-%m-%dT%H}/{now.minute // self.minutes:02}"
        )


@dataclass(frozen=True, slots=True)
class Daily:
    """Owed once a UTC day, in the hours from ``hour`` on. ``missed_days``: so many days before are made good, slot by slot."""

    kind: str
    hour: int
    spread_seconds: int
    missed_days: int = 0


OFTEN = (
    Often(SWEEP, 1, spread_seconds=40),
    Often(SEAL, 5, spread_seconds=240),
    Often(LOOK_AT_NOTICES, 15),
)
DAILY = (
    # Fits are made in the first hours of the day.
    Daily(REFIT, hour=0, spread_seconds=4 * 3_600),
    # The audit is read again when little else is done.
    Daily(auditing.CHECK, hour=2, spread_seconds=2 * 3_600),
    # What billing does by the day, reminders among it.
    Daily(NIGHTLY, hour=6, spread_seconds=2 * 3_600),
    # Tomorrow's visits: an afternoon in Europe, a morning in America. Those of today may still be told; earlier ones are over.
    Daily(ANNOUNCE_TOMORROW, hour=14, spread_seconds=3_600, missed_days=1),
)
# Kinds of which a later job does all that an earlier one was to do.
MADE_GOOD = tuple(one.kind for one in (*OFTEN, *DAILY) if not getattr(one, "missed_days", 0))


def owe_what_is_due() -> int:
    """Owe every operator what the clock says, and what it said while nobody heard it; gives how many jobs were owed."""
    now = clock.now()
    owed = sum(
        jobs.owe_everyone(
            kind=one.kind, slot=one.slot(now), spread_seconds=one.spread_seconds, unless_waiting=True
        )
        for one in OFTEN
    )
    return owed + sum(_owe_daily(one, now) for one in DAILY)


def _owe_daily(one: Daily, now: datetime) -> int:
    owed = 0
    for days_ago in range(one.missed_days, -1, -1):
        midnight = now.replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=days_ago)
        start = midnight + timedelta(hours=one.hour)
        owed += jobs.owe_everyone(
            kind=one.kind,
            slot=f"{midnight:%Y-%m-%d}",
            start=start,
            spread_seconds=one.spread_seconds,
            unless_waiting=not one.missed_days,
            # Who was not here on that day missed nothing.
            here_before=start if days_ago else None,
        )
    return owed
