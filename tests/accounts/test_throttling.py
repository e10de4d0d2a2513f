"""How often somebody may try: the rules by themselves, and their rows in PostgreSQL when many try at once."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.conf import settings
from django.db import connections
from hypothesis import given
from hypothesis import strategies as st

from accounts import clock
from accounts.commands import throttling
from accounts.commands.throttling import Tried, tally
from accounts.errors import TooMany
from accounts.ids import uuid7
from accounts.models import Tally
from accounts.rules.throttling import RULES, Bucket, Delays, Rule, State
from tests.cast import Cast

START = datetime(2026, 1, 1, tzinfo=UTC)
seconds_between = st.lists(st.integers(0, 4_000), min_size=1, max_size=300)


def fresh(now: datetime) -> State:
    return State(0, now, now)


def let_through(rule: Rule, gaps: list[int]) -> list[datetime]:
    """When the tries were made that a rule let through, of wrong ones that come with these gaps."""
    now, state, made = START, fresh(START), []
    for gap in gaps:
        now += timedelta(seconds=gap)
        if rule.wait(state, now) == timedelta(0):
            state = rule.after_try(state, now)
            made.append(now)
    return made


@given(seconds_between, st.sampled_from(["account", "network", "reset", "reset_network"]))
def test_a_bucket_lets_through_what_it_says_in_any_period(gaps: list[int], kind: str):
    bucket = RULES[kind]
    assert isinstance(bucket, Bucket)
    made = let_through(bucket, gaps)

    for period in (timedelta(0), timedelta(minutes=10), timedelta(hours=1)):
        most = bucket.most + int(period / bucket.each)
        for first, when in enumerate(made):
            assert sum(when <= one <= when + period for one in made[first:]) <= most


@pytest.mark.parametrize(
    ("kind", "period", "most"),
    [
        ("account", timedelta(minutes=10), 50),
        ("network", timedelta(hours=1), 100),
        ("reset", timedelta(hours=1), 5),
        ("reset_network", timedelta(hours=1), 20),
    ],
)
def test_a_flood_gets_no_more_than_was_promised(kind: str, period: timedelta, most: int):
    bucket = RULES[kind]
    assert isinstance(bucket, Bucket)

    made = let_through(bucket, [0] * 50 + [1] * int(period.total_seconds()))

    assert sum(when <= START + period for when in made) == most


@given(seconds_between)
def test_nobody_is_locked_out(gaps: list[int]):
    """However it was tried: who waits as long as told gets a try, and never waits long for an account."""
    for rule, longest in ((RULES["account"], 15), (RULES["pair"], 900)):
        now, state = START, fresh(START)
        for gap in gaps:
            now += timedelta(seconds=gap)
            wait = rule.wait(state, now)
            assert wait <= timedelta(seconds=longest)
            assert rule.wait(state, now + wait) == timedelta(0)
            if wait == timedelta(0):
                state = rule.after_try(state, now)


def test_delays_double_from_the_fifth_failure_on():
    delays = [Delays().delay_after(failures).total_seconds() for failures in (*range(1, 17), 10_000)]

    assert delays == [0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]


def test_delays_begin_anew_after_a_day_without_a_try():
    rule, state = Delays(), State(20, START + timedelta(seconds=900), START)

    assert rule.after_try(state, START + timedelta(hours=23)).count == 21
    assert rule.after_try(state, START + timedelta(hours=24)) == State(
        1, START + timedelta(hours=24), START + timedelta(hours=24)
    )


@given(st.lists(st.tuples(st.integers(0, 100), st.booleans()), max_size=100))
def test_a_right_try_takes_nothing_from_a_bucket(tries: list[tuple[int, bool]]):
    rule = RULES["account"]
    now, with_right, without = START, fresh(START), fresh(START)
    for gap, is_right in tries:
        now += timedelta(seconds=gap)
        if rule.wait(with_right, now) > timedelta(0):
            continue
        with_right = rule.after_try(with_right, now)
        if is_right:
            with_right = rule.after_right(with_right, now) or fresh(now)
        else:
            without = rule.after_try(without, now)
        # What is past is as good as full.
        assert max(with_right.free_at, now) == max(without.free_at, now)


# In the database


@pytest.fixture
def somebody() -> list[Tried]:
    return throttling.tallies_of_sign_in(
        email=f"{uuid7()}@nowhere.example", network=f"net {uuid7()}", device=""
    )


def wait_of(tried: list[Tried]) -> int:
    with pytest.raises(TooMany) as refused:
        throttling.may_try(*tried)
    return refused.value.retry_after_seconds


def test_tries_are_counted_as_the_rules_say(north: Cast, later: Any, somebody: list[Tried]):
    delays = []
    for _failure in range(4):
        throttling.may_try(*somebody)
    for _failure in range(5):
        throttling.may_try(*somebody)
        delays.append(wait_of(somebody))
        later(seconds=delays[-1])

    assert delays == [1, 2, 4, 8, 16]


def test_a_refused_try_counts_nothing(north: Cast, somebody: list[Tried]):
    account, network, _pair = somebody
    for _failure in range(5):
        throttling.may_try(*somebody)
    before = set(Tally.objects.filter(key__in=[one.key for one in somebody]).values_list())

    for _refusal in range(20):
        assert wait_of(somebody) == 1

    assert set(Tally.objects.filter(key__in=[one.key for one in somebody]).values_list()) == before
    throttling.may_try(account, network)


def test_a_right_try_gives_everything_back(north: Cast, somebody: list[Tried]):
    for _try in range(60):
        throttling.may_try(*somebody)
        throttling.was_right(*somebody)

    assert not Tally.objects.filter(key=somebody[2].key).exists()


def test_many_at_once_get_no_more_through_than_one_after_the_other(north: Cast):
    """Each on a connection of its own, in different orders: none slips through, and none waits for another for ever."""
    whom = uuid7()
    account, network = tally("account", whom), tally("network", whom)
    pairs = [tally("pair", whom, n) for n in range(8)]
    draw = random.Random(20_266)

    def attempt(pair: Tried) -> bool:
        tried = [account, network, pair]
        draw.shuffle(tried)
        try:
            throttling.may_try(*tried)
        except TooMany:
            return False
        finally:
            connections.close_all()
        return True

    with ThreadPoolExecutor(max_workers=8) as pool:
        passed = sum(pool.map(attempt, pairs * 10))

    assert passed == 10


def test_one_pair_at_once_gets_five_through(north: Cast):
    pair = tally("pair", uuid7())

    def attempt(_n: int) -> bool:
        try:
            throttling.may_try(pair)
        except TooMany:
            return False
        finally:
            connections.close_all()
        return True

    with ThreadPoolExecutor(max_workers=8) as pool:
        assert sum(pool.map(attempt, range(40))) == 5


def test_the_table_names_nobody_and_needs_the_servers_secret(north: Cast, monkeypatch: pytest.MonkeyPatch):
    email, network = f"{uuid7()}@nowhere.example", "192.0.2.7"
    tried = throttling.tallies_of_sign_in(email=email, network=network, device="")
    throttling.may_try(*tried)

    rows = list(Tally.objects.filter(key__in=[one.key for one in tried]))

    assert sorted(row.kind for row in rows) == ["account", "network", "pair"]
    assert all(len(bytes(row.key)) == 32 for row in rows)
    monkeypatch.setattr(settings, "SECRET_KEY", "another secret of a server, as long as it must be")
    again = throttling.tallies_of_sign_in(email=email, network=network, device="")
    assert {one.key for one in again}.isdisjoint({one.key for one in tried})


def test_an_address_is_one_account_however_it_is_typed(north: Cast):
    def account(typed: str) -> Tried:
        return throttling.tallies_of_sign_in(email=typed, network="", device="")[0]

    assert account(" Jo@Nowhere.Example ") == account("jo@nowhere.example")
    assert account("jo@nowhere.example") != account("joo@nowhere.example")
    # Beyond what an address may have, it is nobody's: no endless names, each with a count of its own.
    assert account("a" * 254 + "b") == account("a" * 254 + "c")


def test_parts_of_a_count_do_not_run_into_each_other():
    assert tally("pair", "a", "bc") != tally("pair", "ab", "c")
    assert tally("code", "a") != tally("confirm", "a")


def test_every_kind_is_one_that_the_table_takes():
    choices = Tally._meta.get_field("kind").choices
    assert choices is not None
    assert {value for value, _word in choices} == RULES.keys()


def test_counts_that_say_nothing_any_more_are_removed(north: Cast, later: Any, somebody: list[Tried]):
    keys = [one.key for one in somebody]
    throttling.may_try(*somebody)

    throttling.forget_tallies(clock.now())
    assert Tally.objects.filter(key__in=keys).count() == 3
    later(days=8)
    assert throttling.forget_tallies(clock.now() - timedelta(days=7)) >= 3
    assert not Tally.objects.filter(key__in=keys).exists()
