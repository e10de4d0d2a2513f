"""When a message is tried again, against the schedule that Standard Webhooks advises, and how far jitter spreads it."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID, uuid4

import pytest

from billing.rules.webhooks.schedule import MOST_ATTEMPTS, PAUSES, pause

# Standard Webhooks 1.0.0, "Retries and recovery": immediately, then after 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h,
# 20 h, 24 h (from memory of the specification's table).
ADVISED_MINUTES = (5 / 60, 5, 30, 120, 300, 600, 840, 1_200, 1_440)


def test_ten_attempts_are_spread_over_about_three_days():
    assert [one.total_seconds() / 60 for one in PAUSES] == list(ADVISED_MINUTES)
    assert MOST_ATTEMPTS == 10
    assert timedelta(days=3) < sum(PAUSES, timedelta()) < timedelta(days=3, hours=6)


def test_each_pause_is_within_a_fifth_of_the_usual_one_and_the_fifth_is_used():
    for attempt, usual in enumerate(PAUSES, start=1):
        shares = [pause(UUID(int=number * 7919), attempt) / usual for number in range(2_000)]
        assert min(shares) >= 0.8
        assert max(shares) <= 1.2
        assert min(shares) < 0.81
        assert max(shares) > 1.19
        assert 0.99 < sum(shares) / len(shares) < 1.01


def test_the_jitter_of_a_delivery_is_always_the_same_and_differs_between_deliveries():
    one, other = UUID(int=1), UUID(int=2)

    assert [pause(one, n) for n in range(1, 10)] == [pause(one, n) for n in range(1, 10)]
    assert [pause(one, n) for n in range(1, 10)] != [pause(other, n) for n in range(1, 10)]
    # Not one factor for all attempts: else a herd would stay one.
    assert len({pause(one, n) / PAUSES[n - 1] for n in range(1, 10)}) > 5


def test_after_the_last_attempt_there_is_none():
    assert pause(uuid4(), 10) is None
    assert pause(uuid4(), 11) is None


@pytest.mark.parametrize(
    ("asked", "waits"),
    [(3_600, timedelta(hours=1)), (10**9, timedelta(hours=24))],
)
def test_a_receiver_that_asks_for_time_gets_it_up_to_a_day(asked, waits):
    assert pause(uuid4(), 1, asked) == waits


def test_a_receiver_can_not_ask_to_be_tried_sooner():
    one = uuid4()

    assert pause(one, 5, 1) == pause(one, 5, 0) == pause(one, 5, -10) == pause(one, 5)
