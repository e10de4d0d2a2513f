"""For how long one stays signed in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from accounts.permissions import LIFETIMES, Lifetime, Role

# Before anybody is signed in: the time between a password and its second factor.
BEFORE_SIGN_IN = timedelta(minutes=15)


def shortest(roles: Iterable[Role]) -> Lifetime:
    """What holds for somebody in all these roles: the shortest of each; for somebody in none, of all there are."""
    lifetimes = [LIFETIMES[role] for role in roles] or list(LIFETIMES.values())
    return Lifetime(min(one.idle for one in lifetimes), min(one.most for one in lifetimes))


def ends_at(lifetime: Lifetime, started_at: datetime, seen_at: datetime) -> datetime:
    """When a session is over if it is not used any more."""
    return min(started_at + lifetime.most, seen_at + lifetime.idle)
