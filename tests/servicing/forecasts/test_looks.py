"""What is learnt from look to look at a wick: failures by the condition seen before, and what washing did."""

from __future__ import annotations

from servicing.rules.forecasting.looks import WickLine, looks_of

DAY_S = 86_400


def lines(*said: tuple[int, str, str], unit: str = "a") -> list[WickLine]:
    return [WickLine(unit, day * DAY_S, kind, word) for day, kind, word in said]


def test_each_look_begins_at_the_condition_seen_before():
    found = looks_of(
        lines(
            (0, "unit.installed", "new"),
            (30, "wick.checked", "good"),
            (60, "wick.checked", "slow"),
            (90, "wick.checked", "failed"),
            (90, "wick.changed", "failed"),
            (120, "wick.checked", "good"),
        )
    ).looks

    assert [(one.condition, one.from_days, one.until_days, one.failed) for one in found] == [
        ("unseen", 0, 30, False),
        ("good", 30, 60, False),
        ("slow", 60, 90, True),
        ("unseen", 0, 30, False),
    ]


def test_a_failure_noted_only_by_the_change_is_one():
    found = looks_of(
        lines((0, "unit.installed", "new"), (30, "wick.checked", "good"), (60, "wick.changed", "failed"))
    )

    assert [(one.condition, one.failed) for one in found.looks] == [("unseen", False), ("good", True)]


def test_a_wick_of_unknown_age_or_of_a_unit_gone_leaves_no_look():
    unknown = looks_of(lines((0, "unit.installed", "unknown"), (30, "wick.checked", "failed")))
    gone = looks_of(
        lines((0, "unit.installed", "new"), (10, "unit.withdrawn", "other"), (30, "wick.checked", "failed"))
    )

    assert unknown.looks == gone.looks == []


def test_washing_is_judged_by_the_next_look_which_says_nothing_else():
    helped = looks_of(
        lines(
            (0, "unit.installed", "new"),
            (60, "wick.checked", "slow"),
            (60, "wick.washed", ""),
            (90, "wick.checked", "good"),
        )
    )
    in_vain = looks_of(
        lines(
            (0, "unit.installed", "new"),
            (60, "wick.checked", "slow"),
            (60, "wick.washed", ""),
            (90, "wick.checked", "slow"),
        )
    )
    needless = looks_of(
        lines(
            (0, "unit.installed", "new"),
            (30, "wick.checked", "good"),
            (30, "wick.washed", ""),
            (60, "wick.checked", "good"),
        )
    )

    assert (helped.washed, helped.recovered, len(helped.looks)) == (1, 1, 1)
    assert (in_vain.washed, in_vain.recovered) == (1, 0)
    assert (needless.washed, needless.recovered, len(needless.looks)) == (0, 0, 1)


def test_units_do_not_mix():
    found = looks_of(
        lines((0, "unit.installed", "new"))
        + lines((30, "wick.checked", "failed"), unit="b")
        + lines((0, "unit.installed", "new"), (10, "wick.checked", "good"), unit="c")
    )

    assert [(one.unit, one.until_days) for one in found.looks] == [("c", 10)]
