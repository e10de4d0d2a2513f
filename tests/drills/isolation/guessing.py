"""10,000 guesses at one account from 50 addresses in ten minutes, and what a stopwatch tells of names.

Through the whole product, as a browser asks, while its clock is played. What is counted is how often the slow hash of
passwords really ran.
"""

from __future__ import annotations

import logging
import random
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from statistics import median
from typing import Any
from unittest import mock

from django.conf import settings
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.test import Client
from django.test.utils import override_settings

from accounts import clock
from accounts.models import User
from accounts.permissions import Role
from tests.cast import NOON, PASSWORD, Cast, new_cast

SEED = 20_266
GUESSES, GUESSES_SHORT = 10_000, 1_500
ADDRESSES = 50
MINUTES = 10
MOST_EVALUATED = 60
SAMPLES, SAMPLES_SHORT = 120, 40
# Of 40 on a machine that others use too the medians stray by some percent; the full form judges finely.
MOST_APART, MOST_APART_SHORT = 0.05, 0.15
# Requests a minute, and at once: only what the sign-in itself counts is under test.
UNBOUND = (60_000_000, 1_000_000)


def run(_servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000 guesses and 120 sign-ins timed of each kind; else 1,500 and 40."""
    settings.SECRET_KEY = "only the drill signs with these words, and nobody else"
    cast = new_cast("guessed")
    with override_settings(
        ALLOWED_HOSTS=["testserver"],
        RATE_LIMITS=dict.fromkeys(settings.RATE_LIMITS, UNBOUND),
        SECOND_FACTOR_NEEDED=False,
    ):
        clock.set_to(NOON)
        # Each refused try is a line in the log.
        logging.disable(logging.WARNING)
        yield _guesses(cast, GUESSES if full else GUESSES_SHORT)
        yield _timing(cast, SAMPLES if full else SAMPLES_SHORT, MOST_APART if full else MOST_APART_SHORT)


def _sign_in(client: Client, email: str, password: str, address: str) -> Any:
    return client.post("/sign-in/", {"email": email, "password": password}, secure=True, REMOTE_ADDR=address)


@contextmanager
def _hashing() -> Iterator[list[str]]:
    """A mark for each run of the slow hash."""
    runs: list[str] = []

    def counted(name: str) -> Any:
        plain = getattr(Argon2PasswordHasher, name)

        def run_it(*args: Any, **kwargs: Any) -> Any:
            runs.append(name)
            return plain(*args, **kwargs)

        return mock.patch.object(Argon2PasswordHasher, name, run_it)

    with counted("encode"), counted("verify"):
        yield runs


def _guesses(cast: Cast, guesses: int) -> dict[str, Any]:
    email, home = cast.users[Role.OWNER].email, f"/{cast.operator.slug}/"
    own = Client()
    assert _sign_in(own, email, PASSWORD, "192.0.2.1").status_code == 302
    own.post("/sign-out/", secure=True)
    attackers = [(Client(), f"198.51.100.{n + 1}") for n in range(ADDRESSES)]
    answers: dict[int, int] = {}
    longest = 0
    print(f"drill: {guesses:,} guesses from {ADDRESSES} addresses", file=sys.stderr)
    with _hashing() as runs:
        for n in range(guesses):
            clock.set_to(NOON + n * timedelta(minutes=MINUTES) / guesses)
            client, address = attackers[n % ADDRESSES]
            answer = _sign_in(client, email, f"not this phrase {n}", address)
            answers[answer.status_code] = answers.get(answer.status_code, 0) + 1
            longest = max(longest, int(answer.headers.get("Retry-After", 0)))
        evaluated = len(runs)
    owner = _sign_in(own, email, PASSWORD, "192.0.2.1").status_code == 302
    owner = owner and own.get(home, secure=True).status_code == 200
    stranger, waited = Client(), 0
    while (answer := _sign_in(stranger, email, PASSWORD, "203.0.113.9")).status_code == 429:
        waited += int(answer["Retry-After"])
        clock.set_to(clock.now() + timedelta(seconds=int(answer["Retry-After"])))
    elsewhere = stranger.get(home, secure=True).status_code == 200
    figures = {
        "guesses": guesses,
        "addresses": ADDRESSES,
        "minutes": MINUTES,
        "evaluated": evaluated,
        "refused_with_a_wait": answers.get(429, 0),
        "longest_wait_s": longest,
        "owner_in_by_known_browser": owner,
        "owner_in_elsewhere_after_s": waited if elsewhere else None,
    }
    return {
        "name": "isolation.guessing",
        "figures": figures,
        "target": f"at most {MOST_EVALUATED} evaluated, all answered, the owner in by a known browser at once and elsewhere soon",
        "ok": 0 < evaluated <= MOST_EVALUATED
        and answers == {422: evaluated, 429: guesses - evaluated}
        and owner
        and elsewhere
        and waited <= 60,
        "seed": SEED,
    }


def _timing(cast: Cast, samples: int, most: float) -> dict[str, Any]:
    """Medians of wrong sign-ins, by turns and in a random order; each is evaluated, for it comes from a network of its own."""
    inactive, unset = cast.users[Role.VIEWER], cast.users[Role.NETWORK]
    User.objects.filter(id=inactive.id).update(is_active=False)
    User.objects.filter(id=unset.id).update(password="!")
    names = {
        "known": cast.users[Role.DISPATCHER].email,
        "unknown": f"nobody@{cast.operator.slug}.example",
        "inactive": inactive.email,
        "without_password": unset.email,
    }
    took: dict[str, list[float]] = {kind: [] for kind in names}
    draw, client = random.Random(SEED), Client()
    print(f"drill: {samples} wrong sign-ins timed of each of {len(names)} kinds", file=sys.stderr)
    for n in range(-2, samples):
        for kind in draw.sample(list(names), len(names)):
            clock.set_to(clock.now() + timedelta(minutes=1))
            address = f"10.{draw.randrange(256)}.{draw.randrange(256)}.{draw.randrange(1, 255)}"
            began = time.perf_counter()
            answer = _sign_in(client, names[kind], "not this phrase", address)
            ended = time.perf_counter()
            assert answer.status_code == 422, answer.status_code
            if n >= 0:  # the first two turns only warm up
                took[kind].append(ended - began)
    medians = {kind: median(times) for kind, times in took.items()}
    apart = {kind: round(medians[kind] / medians["known"] - 1, 4) for kind in names if kind != "known"}
    return {
        "name": "isolation.guessing_timing",
        "figures": {
            "samples": samples,
            "medians_ms": {kind: round(1_000 * one, 2) for kind, one in medians.items()},
            "apart": apart,
        },
        "target": f"the medians of known and unknown names at most {most:.0%} apart",
        "ok": abs(apart["unknown"]) <= most,
        "seed": SEED,
    }
