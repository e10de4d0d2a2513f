"""Words that seem to hold a code, and words that only speak of one."""

from __future__ import annotations

import pytest

from accounts.permissions import Role
from accounts.rules.telling_words import seem_to_hold_a_code
from tests.pages.visitors import signed_in, text_of


@pytest.mark.parametrize(
    "words",
    [
        "Code 1234",
        "The alarm is 4711.",
        "Key box by the gate, 12 34",
        "pin: 0815#",
        "Türcode 77-31",
        "Schlüsselkasten links, 4 7 1 1",
        "door\nlockbox no. 998",
    ],
)
def test_a_word_for_a_lock_and_digits_behind_it_are_noticed(words):
    assert seem_to_hold_a_code(words)


@pytest.mark.parametrize(
    "words",
    [
        "",
        "Report to the porter from 7:30",
        "Ask for the code at the desk.",
        "24103 Marl Quay, Lock Street 12",
        "Room 1204, second floor",
        "The key box hangs left of door 2",
        "Alarm is off from 6 to 22",
        "Spinning mill 1880",
    ],
)
def test_other_words_are_left_alone(words):
    assert not seem_to_hold_a_code(words)


def test_the_page_of_a_site_says_so_gently(north):
    office, page = signed_in(north, Role.DISPATCHER), f"/{north.operator.slug}/set-up/sites/S1"
    typed = {"name": "Marl Quay School", "kind": "school", "crew": "", "dust": "normal"}
    assert "looks as if a code stood in it" not in text_of(office.get(page))

    answer = office.submit(page, **typed, access="Key box left, code 7731")

    assert answer.status_code == 302, text_of(answer)
    assert "looks as if a code stood in it" in text_of(office.get(page))
