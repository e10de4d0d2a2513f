"""Which events stand: counter-events and replacements are resolved as a set, before any fold."""

from __future__ import annotations

import itertools
from uuid import UUID

from servicing.rules.fold import effective, standings
from tests.servicing.plain_events import countered, event, exchanged, installed


def test_a_counter_event_undoes_its_target_and_countering_it_restores_the_first():
    first = event("wick.changed", 1, reason="age")
    undo = countered(first, 2)
    redo = countered(undo, 3)

    assert first not in effective([first, undo])
    assert first in effective([first, undo, redo])
    assert standings([first, undo])[first.event_id].by == undo.event_id


def test_a_replacement_takes_the_place_of_its_target_and_the_last_of_several_stands():
    wrong = exchanged(30, left=200)
    better = exchanged(30, left=20, corrects=wrong)
    best = exchanged(30, left=30, corrects=wrong)

    assert effective([wrong, better, best]) == [best]
    assert standings([wrong, better, best])[better.event_id].by == best.event_id


def test_countering_the_last_replacement_brings_the_one_before_it_back():
    wrong = exchanged(30, left=200)
    better = exchanged(30, left=20, corrects=wrong)
    best = exchanged(30, left=30, corrects=wrong)
    undo = countered(best, 31)

    assert better in effective([wrong, better, best, undo])
    assert best not in effective([wrong, better, best, undo])


def test_an_event_both_countered_and_replaced_stays_undone_and_its_replacement_stands():
    wrong = exchanged(30, left=200)
    better = exchanged(30, left=20, corrects=wrong)
    undo = countered(wrong, 31)

    standing = effective([wrong, better, undo])

    assert wrong not in standing
    assert better in standing


def test_a_counter_event_whose_clock_is_ahead_undoes_nothing():
    first = event("wick.changed", 1, reason="age")
    ahead = countered(first, 5, received_day=4)

    standing = standings([first, ahead])

    assert standing[first.event_id].word == "effective"
    assert standing[ahead.event_id].word == "clock_ahead"


def test_ten_minutes_ahead_is_tolerated_and_a_second_more_is_not():
    minute = 1 / 1_440
    tolerated = event("wick.washed", 1, received_day=1 - 10 * minute)
    too_far = event("wick.washed", 1 + minute / 60, received_day=1 - 10 * minute)

    standing = standings([tolerated, too_far])

    assert standing[tolerated.event_id].word == "effective"
    assert standing[too_far.event_id].word == "clock_ahead"


def test_corrections_in_a_circle_correct_nothing():
    one_id, other_id = UUID(int=901), UUID(int=902)
    one = exchanged(1, event_id=one_id)
    other = exchanged(2, event_id=other_id, corrects=one)
    one = exchanged(1, event_id=one_id, corrects=other)

    assert {e.event_id for e in effective([one, other])} == {one_id, other_id}


def test_a_counter_event_may_stand_before_what_it_counters_has_arrived():
    missing = event("wick.changed", 1, reason="age")
    undo = countered(missing, 2)

    assert effective([undo]) == [undo]
    assert missing not in effective([undo, missing])


def test_the_order_of_arrival_changes_no_standing():
    first = event("wick.changed", 1, reason="age")
    undo = countered(first, 2)
    redo = countered(undo, 3)
    replaced = exchanged(4, corrects=first)
    events = [installed(), first, undo, redo, replaced]

    answers = {tuple(e.event_id for e in effective(list(order))) for order in itertools.permutations(events)}

    assert len(answers) == 1
