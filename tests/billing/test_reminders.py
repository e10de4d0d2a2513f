"""When a reminder is due. Common practice, no source: the steps and their spacing are the product's own."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from billing.rules.reminders import DEFAULT_DAYS, Reminded, step_due

DUE = date(2026, 6, 1)


def after(days):
    return DUE + timedelta(days=days)


@pytest.mark.parametrize(("days", "step"), [(-1, None), (0, None), (6, None), (7, 1), (20, 1), (200, 1)])
def test_the_first_step_comes_after_its_days(days, step):
    assert step_due(DUE, after(days), DEFAULT_DAYS) == step


def test_the_steps_follow_each_other_on_their_days():
    sent, last = [], None
    for days in range(60):
        step = step_due(DUE, after(days), DEFAULT_DAYS, last)
        if step:
            sent.append((days, step))
            last = Reminded(step, after(days))

    assert sent == [(7, 1), (21, 2), (35, 3)]


def test_steps_missed_for_a_while_go_out_one_by_one_with_the_days_between():
    sent, last = [], None
    for days in range(100, 160):
        step = step_due(DUE, after(days), DEFAULT_DAYS, last)
        if step:
            sent.append((days, step))
            last = Reminded(step, after(days))

    assert sent == [(100, 1), (114, 2), (128, 3)]


def test_after_the_last_step_nothing_more_is_sent():
    assert step_due(DUE, after(400), DEFAULT_DAYS, Reminded(3, after(35))) is None


def test_an_issuer_without_steps_reminds_nobody():
    assert step_due(DUE, after(400), ()) is None
