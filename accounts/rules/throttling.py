"""How often somebody may try: a bucket that drains by a try and fills again, or delays that grow with each failure.

A try is counted as a failure before what was typed is looked at, so that tries at once don't slip through together; one
that turns out right is given back.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

_NONE = timedelta(0)


@dataclass(frozen=True, slots=True)
class State:
    """What is kept of one asker: how many failures, and from when the next try may be made (a bucket: when it is full)."""

    count: int
    free_at: datetime
    changed_at: datetime


@dataclass(frozen=True, slots=True)
class Bucket:
    """``most`` tries at once, and one more after each ``each``: at most ``most + period / each`` in any period."""

    most: int
    each: timedelta

    def wait(self, state: State, now: datetime) -> timedelta:
        """Until a try may be made; nothing for one that may be made now."""
        ahead = max(state.free_at - now, _NONE)
        return max(ahead + self.each - self.most * self.each, _NONE)

    def after_try(self, state: State, now: datetime) -> State:
        return State(state.count, max(state.free_at, now) + self.each, now)

    def after_right(self, state: State, now: datetime) -> State | None:
        """A right try takes nothing from the bucket. None: nothing needs to be kept."""
        free_at = state.free_at - self.each
        return State(state.count, free_at, now) if free_at > now else None


@dataclass(frozen=True, slots=True)
class Delays:
    """``free`` failures without a wait, then ``first``, twice that, and so on up to ``most``; a day without any starts anew."""

    free: int = 5
    first: timedelta = timedelta(seconds=1)
    most: timedelta = timedelta(seconds=900)
    forgotten_after: timedelta = timedelta(days=1)

    def wait(self, state: State, now: datetime) -> timedelta:
        """Until a try may be made; nothing for one that may be made now."""
        return max(state.free_at - now, _NONE)

    def after_try(self, state: State, now: datetime) -> State:
        is_forgotten = now - state.changed_at >= self.forgotten_after
        count = 1 if is_forgotten else state.count + 1
        return State(count, now + self.delay_after(count), now)

    def after_right(self, state: State, now: datetime) -> State | None:
        """Who was right once begins anew."""
        return None

    def delay_after(self, failures: int) -> timedelta:
        over = failures - self.free
        if over < 0:
            return _NONE
        # Beyond that many doublings the longest holds in any case; a larger power would not fit.
        return min(self.first * 2 ** min(over, 32), self.most)


Rule = Bucket | Delays

# By the kind of tally. At one account, from wherever: 10 and 40 more in ten minutes, and never a lock, for there is always
# a next one soon. From one network: 100 an hour, whichever account; who does not guess wrong is not counted.
RULES: dict[str, Rule] = {
    "account": Bucket(10, timedelta(seconds=15)),
    "network": Bucket(40, timedelta(minutes=1)),
    # An account from one network, and an account by a browser known for it, which nobody else's guesses slow down.
    "pair": Delays(),
    "device": Delays(),
    # Second factors, and passwords asked once more, by the person.
    "code": Delays(),
    "confirm": Delays(),
    # Links to a new password: 5 an hour for an address, 20 an hour for a network.
    "reset": Bucket(2, timedelta(minutes=20)),
    "reset_network": Bucket(8, timedelta(minutes=5)),
}
