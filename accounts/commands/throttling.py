"""How often somebody may try to sign in, counted in PostgreSQL before what they typed is looked at.

Each count is a row under a keyed hash of whom and where, locked, read and written in a short transaction of its own, so
that all processes count together and no refusal afterwards undoes it. The table names nobody, and a copy of it can't be
tried out without the server's secret.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil

from django.db import connections, transaction
from django.utils.crypto import salted_hmac

from accounts import clock
from accounts.errors import TooMany
from accounts.languages import _
from accounts.models import Tally
from accounts.queries.sessions import known_device
from accounts.rules.throttling import RULES, State

_MOST_TYPED = 254  # as many characters as an e-mail address may have
_MINUTE, _LONG_SECONDS = 60, 180

# The rows, made where there are none, and locked. One order for everybody: by key.
_LOCK = """
INSERT INTO accounts_tally AS t (key, kind, count, free_at, changed_at)
SELECT key, kind, 0, %(now)s, %(now)s FROM unnest(%(keys)s::bytea[], %(kinds)s::text[]) AS asked (key, kind)
ON CONFLICT (key) DO UPDATE SET kind = t.kind
RETURNING t.key, t.count, t.free_at, t.changed_at
"""
_WRITE = """
UPDATE accounts_tally t SET count = said.count, free_at = said.free_at, changed_at = %(now)s
FROM unnest(%(keys)s::bytea[], %(counts)s::int[], %(frees)s::timestamptz[]) AS said (key, count, free_at)
WHERE t.key = said.key
"""
_READ = "SELECT key, count, free_at, changed_at FROM accounts_tally WHERE key = ANY(%(keys)s::bytea[])"


@dataclass(frozen=True, slots=True)
class Tried:
    """One count that a try draws from: its kind, a name of ``rules.throttling.RULES``, and the keyed hash of whose it is."""

    kind: str
    key: bytes


def tally(kind: str, *parts: object) -> Tried:
    """The count of a kind for whom and where; ``parts`` are hashed under the server's secret."""
    words = json.dumps([kind, *(str(part) for part in parts)])
    return Tried(kind, salted_hmac("wickround.tally", words, algorithm="sha256").digest())


def tallies_of_sign_in(*, email: str, network: str, device: str) -> list[Tried]:
    """What a try to sign in draws from. ``device``: the word of the browser's device cookie, or "".

    A browser known for this very person has a count of its own and no other: whoever guesses from elsewhere doesn't keep
    the person out.
    """
    account = email.strip().lower()[:_MOST_TYPED]
    known = known_device(account, device)
    if known is not None:
        return [tally("device", account, known.id)]
    return [tally("account", account), tally("network", network), tally("pair", account, network)]


def may_try(*tried: Tried) -> None:
    """Count a try, or refuse it with TooMany, which says how long to wait; then nothing is counted.

    It counts as a failure until ``was_right``. Called outside of any transaction.
    """
    now = clock.now()
    # Most tries of a flood end here, without a lock.
    _refuse_early(tried, _read(tried), now)
    with transaction.atomic(durable=True):
        states = _locked(tried, now)
        _refuse_early(tried, states, now)
        _write({one: RULES[one.kind].after_try(states[one.key], now) for one in tried}, now)


def was_right(*tried: Tried) -> None:
    """Give a try back: delays begin anew, and buckets get back what was taken."""
    now = clock.now()
    with transaction.atomic(durable=True):
        states = _locked(tried, now)
        after = {one: RULES[one.kind].after_right(states[one.key], now) for one in tried}
        _write({one: state for one, state in after.items() if state is not None}, now)
        Tally.objects.filter(key__in=[one.key for one, state in after.items() if state is None]).delete()


def forget_tallies(before: datetime) -> int:
    """Delete what nobody has tried at since an instant; gives how many. Older than a day it says nothing any more."""
    return Tally.objects.filter(changed_at__lt=before, free_at__lt=before).delete()[0]


def _refuse_early(tried: Sequence[Tried], states: Mapping[bytes, State], now: datetime) -> None:
    """If one of them says so; those without a row say nothing."""
    waits = [RULES[one.kind].wait(states[one.key], now) for one in tried if one.key in states]
    wait = max(waits, default=timedelta(0))
    if wait > timedelta(0):
        raise _too_often(max(1, ceil(wait.total_seconds())))


def _too_often(seconds: int) -> TooMany:
    if seconds <= _LONG_SECONDS:
        sentence = _(
            "This was tried too often, so nothing was looked at. Try again in {seconds} s.", seconds=seconds
        )
    else:
        sentence = _(
            "This was tried too often, so nothing was looked at. Try again in {minutes} min.",
            minutes=ceil(seconds / _MINUTE),
        )
    return TooMany(sentence, retry_after_seconds=seconds)


def _read(tried: Sequence[Tried]) -> dict[bytes, State]:
    with connections["default"].cursor() as cursor:
        cursor.execute(_READ, {"keys": [one.key for one in tried]})
        return {bytes(key): State(*rest) for key, *rest in cursor.fetchall()}


def _locked(tried: Sequence[Tried], now: datetime) -> dict[bytes, State]:
    ordered = sorted(tried, key=lambda one: one.key)
    with connections["default"].cursor() as cursor:
        cursor.execute(
            _LOCK,
            {"keys": [one.key for one in ordered], "kinds": [one.kind for one in ordered], "now": now},
        )
        return {bytes(key): State(*rest) for key, *rest in cursor.fetchall()}


def _write(states: Mapping[Tried, State], now: datetime) -> None:
    if not states:
        return
    with connections["default"].cursor() as cursor:
        cursor.execute(
            _WRITE,
            {
                "keys": [one.key for one in states],
                "counts": [state.count for state in states.values()],
                "frees": [state.free_at for state in states.values()],
                "now": now,
            },
        )
