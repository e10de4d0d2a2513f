"""The sentences about what a unit is likely to do, read as a dispatcher would. No outside source: the words are ours."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from servicing.models import Outlook
from servicing.pages.expecting import expectations
from servicing.rules.due import DueSegment

TODAY, DUE = date(2026, 11, 25), date(2026, 12, 10)
BASIS = {"n": 7, "prior": False, "wick_prior": False, "after_on": "2027-01-10", "wick_chance_after": 0.32}


def said(segment_due: date = DUE, **values: Any) -> list[str]:
    outlook = Outlook(**{"basis": BASIS, **values})
    segment = DueSegment(date(2026, 11, 1), None, "due", due_on=segment_due)
    return expectations(outlook, segment, Decimal("0.100"), TODAY, "EUR")


DRY: dict[str, Any] = {"chance_dry": Decimal("0.3"), "latest_on": date(2026, 12, 7)}


def test_a_unit_that_hangs_nowhere_has_nothing_to_be_said_of_it() -> None:
    assert expectations(None, None, Decimal("0.1"), TODAY, "EUR") == []


@pytest.mark.parametrize(
    ("advice", "sentence"),
    [
        ("in_time", "30 % chance of running dry before it is due on Thu 10 Dec."),
        (
            "sooner",
            "30 % chance of running dry before it is due on Thu 10 Dec; come by Mon 7 Dec to keep that under 10 %.",
        ),
        (
            "larger",
            (
                "30 % chance of running dry before it is due on Thu 10 Dec. No day in grace keeps that under 10 %: it needs a "
                "larger cartridge or one visit more."
            ),
        ),
    ],
)
def test_the_chance_of_running_dry_comes_with_what_to_do(advice: str, sentence: str) -> None:
    assert said(**DRY, dry_advice=advice)[0] == sentence


def test_a_due_day_that_has_passed_says_no_chance_of_it() -> None:
    assert said(date(2026, 11, 20), **DRY, dry_advice="sooner") == [
        "The dose is estimated from 7 readings of its own and from similar units."
    ]


def test_what_pays_is_said_of_the_next_visit_and_the_one_after_it() -> None:
    values: dict[str, Any] = {
        "wick_chance": Decimal("0.05"),
        "wick_saving": Decimal("3.10"),
        "wick_reason": "cost",
    }
    assert said(**values, wick_advice="change")[0] == (
        "At the visit of Thu 10 Dec: 32 % chance of failing before Sun 10 Jan 2027; changing now saves 3.10 EUR."
    )
    assert said(**{**values, "wick_saving": Decimal("-2.00")}, wick_advice="wait")[0] == (
        "5 % chance of failing before Thu 10 Dec; waiting costs less than changing now."
    )


def test_what_the_last_visit_saw_comes_before_any_model() -> None:
    assert said(wick_advice="wash", wick_reason="left_over", wick_chance=Decimal("0.05"))[0] == (
        "Most of the liquid was still there at the last exchange: wash the wick. 5 % chance of failing before Thu 10 Dec."
    )


def test_an_output_that_is_off_comes_first_with_what_to_look_for() -> None:
    high = said(**DRY, drift="high", drift_since_on=date(2026, 10, 5), drift_advice="look_for_leak")
    assert high[0] == "Since Mon 5 Oct it lets through more than expected. Look for a leak or a broken seal."
    low = said(drift="low", drift_since_on=date(2026, 10, 5), drift_advice="wash")
    assert low[0].endswith("the wick does not transfer as it should. Wash the wick.")


def test_it_says_what_it_rests_on_and_what_is_assumed() -> None:
    assert said(basis={**BASIS, "n": 0}) == [
        "What it uses was not measured yet: its dose is an estimate from similar units."
    ]
    assert said(basis={**BASIS, "n": 0, "prior": True, "wick_prior": True}) == [
        (
            "What it uses was not measured yet, nor what its like use: its dose is assumed from its cartridge. Too few wicks have "
            "been seen to fail here, so the chance of that is assumed."
        )
    ]


def test_the_reservoirs_cleaning_is_ahead_or_has_been_due() -> None:
    assert said(clean_due_on=date(2026, 12, 1))[0] == "Its reservoir is due for cleaning on Tue 1 Dec."
    assert said(clean_due_on=TODAY)[0] == "Its reservoir has been due for cleaning since Wed 25 Nov."
