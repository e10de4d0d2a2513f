"""The sentence that says why a wick is to be changed, washed or left in. The wording is ours."""

import math

import pytest

from servicing.rules.nonsense import Nonsense
from servicing.rules.wick_sentence import wick_sentence


@pytest.mark.parametrize(
    ("chance", "saving", "action", "reason", "sentence"),
    [
        (0.32, "3.10", "change", "cost", "32 % chance of failing before 14 May; changing now saves 3.10."),
        (0.32, "3.10", "wash", "cost", "32 % chance of failing before 14 May; washing now saves 3.10."),
        (
            0.04,
            "",
            "wait",
            "cost",
            "4 % chance of failing before 14 May; waiting costs less than changing now.",
        ),
        (0.001, "", "", "", "Under 1 % chance of failing before 14 May."),
        (
            0.999,
            "",
            "change",
            "limit",
            "The wick has reached the age at which it is changed in any case: change the wick. Over 99 % chance of failing before 14 May.",
        ),
        (
            None,
            "",
            "wash",
            "left_over",
            "Most of the liquid was still there at the last exchange: wash the wick.",
        ),
        (
            None,
            "",
            "change",
            "condition",
            "The wick was no longer good when it was last looked at: change the wick.",
        ),
        (None, "", "wash", "drift", "The unit has been giving less than expected: wash the wick."),
        (None, "", "", "", ""),
        (None, "", "wait", "cost", ""),
    ],
)
def test_the_advice_says_why_in_a_sentence(chance, saving, action, reason, sentence):
    assert wick_sentence(chance, "14 May", saving, action, reason) == sentence


@pytest.mark.parametrize(
    ("chance", "action", "reason"),
    [(1.2, "wait", "cost"), (math.nan, "wait", "cost"), (0.2, "throw", "cost"), (0.2, "wash", "moon")],
)
def test_a_sentence_about_nonsense_is_refused(chance, action, reason):
    with pytest.raises(Nonsense):
        wick_sentence(chance, "14 May", "", action, reason)


def test_without_a_day_no_chance_is_told():
    assert wick_sentence(0.32, "", "3.10", "change", "cost") == ""
    assert wick_sentence(0.32, "", "", "change", "drift") == (
        "The unit has been giving less than expected: change the wick."
    )
