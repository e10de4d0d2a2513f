"""What the drift chart finds, since when, and what to do about it.

Outside checks: Montgomery's thirty readings (see test_control.py) and, for the false alarms, the run lengths of
control.py, which are checked there against published tables; the rest is arithmetic written out beside the case.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import integrate, special

from servicing.rules.alarm_budget import Limits, false_alarms_per_1000, limits_for
from servicing.rules.control import cusum_arl, normal_density
from servicing.rules.drift import HIGH, LOW, NOTHING, drift, drift_advice, resets_per_reading
from servicing.rules.nonsense import Nonsense
from tests.servicing.forecasts.test_control import MONTGOMERY

CHART = Limits(k=0.5, h=5.0, one_visit=9.0)
QUICK = Limits(k=0.5, h=5.0, one_visit=3.3)
MISSING, READ, DRY, UNTOUCHED, DISTURBED = 0, 1, 2, 3, 4


def one_unit(z, limits=CHART, kind=None, wick_slot=-1, kept=None):
    kinds = [READ] * len(z) if kind is None else kind
    entered = [True] * len(z) if kept is None else kept
    return drift(np.array([z]), np.array([kinds]), np.array([entered]), np.array([wick_slot]), limits)


def found(chart):
    return int(chart.finding[0]), int(chart.since[0])


def test_the_textbook_shift_is_found_at_the_29th_reading_and_dated_to_the_23rd():
    z = MONTGOMERY - 10
    assert found(one_unit(z[:28])) == (NOTHING, -1)
    assert found(one_unit(z[:29])) == (HIGH, 22)


def test_the_same_shift_downwards_is_a_wick_that_does_not_transfer():
    assert found(one_unit(10 - MONTGOMERY[:29])) == (LOW, 22)


def test_one_visit_is_enough_for_a_dead_wick_and_for_a_leak():
    dead, leak = one_unit([0.2, -0.1, -3.4], QUICK), one_unit([0.2, -0.1, 3.4], QUICK)
    assert (found(dead), bool(dead.by_one_visit[0])) == ((LOW, 2), True)
    assert (found(leak), bool(leak.by_one_visit[0])) == ((HIGH, 2), True)
    assert found(one_unit([0.2, -0.1, -3.2], QUICK)) == (NOTHING, -1)


def test_a_slow_loss_is_found_by_the_chart_and_not_by_one_visit():
    # Four readings 1.75 low each add 1.25: 5.0 at the fourth.
    slow = one_unit([0.0, -1.75, -1.75, -1.75, -1.75], QUICK)
    assert (found(slow), bool(slow.by_one_visit[0])) == ((LOW, 1), False)
    assert found(one_unit([0.0, -1.75, -1.75, -1.75, -1.7], QUICK)) == (NOTHING, -1)


def test_a_finding_stays_while_readings_lean_the_same_way_and_keeps_its_date():
    assert found(one_unit([0.0, -4.0, -0.6, -2.0], QUICK)) == (LOW, 1)
    assert found(one_unit([0.0, -4.0, -0.6, -0.4], QUICK)) == (NOTHING, -1)


def test_after_a_finding_the_chart_goes_on_from_half_its_limit():
    # Closed by +0.5 from 2.5 to 1.5; -3 and -2 then make 4.0 and 5.5: found again, since the reading after the lowest.
    again = [0.0, -4.0, 0.5, -3.0, -2.0]
    assert one_unit(again[:3], QUICK).low[0] == pytest.approx(1.5)
    assert found(one_unit(again[:4], QUICK)) == (NOTHING, -1)
    assert found(one_unit(again, QUICK)) == (LOW, 3)


def test_a_changed_wick_is_asked_first_whether_it_transfers():
    # From 2.5, two readings 1.75 low make 5.0; without the head start they make 2.5.
    loss = [0.0, -1.75, -1.75]
    assert found(one_unit(loss, QUICK, wick_slot=1)) == (LOW, 1)
    assert found(one_unit(loss, QUICK)) == (NOTHING, -1)
    assert found(one_unit([0.0, 1.75, 1.75], QUICK, wick_slot=1)) == (NOTHING, -1)


def test_a_wick_change_forgets_what_was_read_before_it():
    dead = [0.0, -4.0]
    assert found(one_unit(dead, QUICK)) == (LOW, 1)
    assert found(one_unit(dead, QUICK, wick_slot=2)) == (NOTHING, -1)
    assert found(one_unit([-4.0, 0.0], QUICK, wick_slot=1)) == (NOTHING, -1)
    assert one_unit(dead, QUICK, wick_slot=2).low[0] == QUICK.head_start


def test_missing_slots_are_passed_over_and_a_found_fault_closes_the_finding():
    z = [0.0, 4.0, 0.0]
    assert found(one_unit(z, QUICK, [READ, READ, MISSING])) == (HIGH, 1)
    assert found(one_unit(z, QUICK, [READ, READ, DISTURBED])) == (NOTHING, -1)
    assert found(one_unit(z, QUICK, [READ, MISSING, READ])) == (NOTHING, -1)
    assert found(one_unit(z, QUICK, [READ, DRY, MISSING])) == (HIGH, 1)
    assert found(one_unit([0.0, -4.0], QUICK, [READ, UNTOUCHED])) == (LOW, 1)


def test_a_run_is_dated_past_missing_slots():
    assert found(one_unit([0.0, 0.0, -1.75, -1.75, -1.75, -1.75], QUICK, [READ, MISSING, *[READ] * 4])) == (
        LOW,
        2,
    )


def test_a_loss_that_the_dose_estimate_takes_to_stays_found_until_it_is_made_good():
    # Two outlying readings in a row: the second enters, and what follows is measured from the new level.
    z, kept = [0.0, -7.0, -6.5, 0.3, -0.2, 5.8, 0.1], [True, False, True, True, True, True, True]
    assert [found(one_unit(z[:n], QUICK, kept=kept[:n])) for n in range(1, 8)] == [
        (NOTHING, -1), (LOW, 1), (LOW, 1), (LOW, 1), (LOW, 1), (NOTHING, -1), (NOTHING, -1),
    ]  # fmt: skip
    # One outlying reading that stays out is over with the next.
    assert found(one_unit([0.0, -7.0, 0.3], QUICK, kept=[True, False, True])) == (NOTHING, -1)
    # A leak that lasts, the wick changed for it, the leak stopped.
    leak = [0.0, 7.0, 6.5, -0.3]
    assert found(one_unit(leak, QUICK, kept=kept[:4])) == (HIGH, 1)
    assert found(one_unit(leak, QUICK, kept=kept[:4], wick_slot=3)) == (NOTHING, -1)
    assert found(one_unit(leak, QUICK, [READ, READ, READ, DISTURBED], kept=kept[:4])) == (NOTHING, -1)


def test_the_advice_is_to_wash_then_to_change_and_to_look_for_a_leak():
    advice = drift_advice([LOW, LOW, HIGH, HIGH, NOTHING], [False, True, False, True, False])
    assert advice == ["wash", "change", "look_for_leak", "look_for_leak", ""]


def test_no_units_and_no_readings_have_no_findings():
    none = drift(np.empty((0, 4)), np.empty((0, 4)), np.empty((0, 4)), [], QUICK)
    unread = drift(np.empty((3, 0)), np.empty((3, 0)), np.empty((3, 0)), [-1] * 3, QUICK)
    assert none.finding.shape == (0,)
    assert unread.finding.tolist() == [NOTHING] * 3


def test_wick_changes_a_reading_are_counted_back_from_the_latest():
    # Two changes, seen over 4 + 2 + 6 readings; as if one more had been seen in 18.
    kind = np.full((3, 6), READ)
    assert resets_per_reading(kind, [2, 4, -1]) == pytest.approx(3 / 30)
    # A change after the latest reading has not been followed by one; nothing read leaves what was thought before.
    assert resets_per_reading(kind, [6, -1, -1]) == pytest.approx(1 / 30)
    assert resets_per_reading(np.full((2, 6), MISSING), [-1, 3]) == pytest.approx(1 / 18)


def test_the_limits_spend_the_budget_and_no_more():
    limits = limits_for(2.0, resets_per_reading=1 / 18)
    assert false_alarms_per_1000(limits, resets_per_reading=1 / 18) == pytest.approx(2.0, rel=1e-4)
    # Half of it on single readings: 1 in 1,000 beyond 3.2905 either way (any table of the normal distribution).
    assert limits.one_visit == pytest.approx(3.2905, abs=5e-5)
    assert (
        limits_for(1.0, resets_per_reading=1 / 18).h > limits.h > limits_for(5.0, resets_per_reading=1 / 18).h
    )
    assert limits_for(2.0, resets_per_reading=0.0).h < limits.h


def test_false_alarms_at_a_first_reading_are_the_normal_tails():
    # Only x >= min(h + k, one_visit) opens anything.
    alone = false_alarms_per_1000(QUICK, resets_per_reading=0.0, readings_drawn=1)
    assert alone == pytest.approx(2_000 * special.ndtr(-3.3), rel=1e-12)
    chart = false_alarms_per_1000(Limits(0.5, 2.0, 3.3), resets_per_reading=0.0, readings_drawn=1)
    assert chart == pytest.approx(2_000 * special.ndtr(-2.5), rel=1e-12)


def test_in_the_long_run_false_alarms_are_one_in_a_cycle_of_run_lengths():
    # From one opening to the next: until a reading closes it, then the run length of a chart begun where that lands.
    # The run lengths are cusum_arl's, checked against published tables.
    k, h = 0.5, 3.0
    start = h / 2

    def then(x):
        return cusum_arl(k, h, 0.0, max(0.0, start + x - k)) * float(normal_density(np.array(x)))

    after, _ = integrate.quad(then, -9.0, k, points=[k - start], limit=100)
    cycle = (1 + after) / special.ndtr(k)
    rate = false_alarms_per_1000(Limits(k, h, 30.0), resets_per_reading=0.0, readings_drawn=300)
    assert rate == pytest.approx(2_000 / cycle, rel=1e-6)


def test_false_alarms_agree_with_charts_of_random_readings():
    # 150,000 charts of eight readings, one in seven of them the first after a wick change. About 5,600 findings open at
    # the last reading; 4 % is three standard errors of such a count.
    limits = Limits(0.5, 2.5, 2.6)
    draws = np.random.default_rng(12)
    z, changed = draws.standard_normal((150_000, 8)), draws.random((150_000, 8)) < 1 / 7
    starts = np.where(changed.any(axis=1), 7 - changed[:, ::-1].argmax(axis=1), -1)
    read = np.full(z.shape, READ)
    before = drift(z[:, :7], read[:, :7], read[:, :7], starts, limits)
    now = drift(z, read, read, starts, limits)
    opened = (now.finding != NOTHING) & (now.finding != before.finding)
    exact = false_alarms_per_1000(limits, resets_per_reading=1 / 7, readings_drawn=8)
    assert 1_000 * opened.mean() == pytest.approx(exact, rel=0.04)


@pytest.mark.parametrize(
    "ask",
    [
        pytest.param(lambda: one_unit([0.0, math.nan]), id="a reading that is no number"),
        pytest.param(lambda: one_unit([0.0, math.inf]), id="an infinite reading"),
        pytest.param(lambda: one_unit([0.0], kind=[5]), id="a kind that does not exist"),
        pytest.param(lambda: one_unit([0.0], wick_slot=2), id="a wick change after the end"),
        pytest.param(lambda: one_unit([0.0], wick_slot=-2), id="a wick change before the beginning"),
        pytest.param(lambda: drift(np.zeros((2, 3)), np.ones((2, 2)), np.ones((2, 3)), [-1, -1], CHART), id="shapes that differ"),
        pytest.param(lambda: one_unit([0.0, 0.0], kept=[True]), id="a reading kept or not, nobody knows"),
        pytest.param(lambda: drift(np.zeros(3), np.ones(3), np.ones(3), [-1], CHART), id="readings of no unit"),
        pytest.param(lambda: drift_advice([3], [True]), id="advice on an unknown finding"),
        pytest.param(lambda: drift_advice([1, 2], [True]), id="advice on two units with one answer"),
        pytest.param(lambda: Limits(0.5, math.nan, 3.0), id="a limit that is no number"),
        pytest.param(lambda: Limits(0.5, 0.0, 3.0), id="a limit of 0"),
        pytest.param(lambda: Limits(-0.5, 5.0, 3.0), id="a negative reference value"),
        pytest.param(lambda: Limits(0.5, 5.0, 0.4), id="a single reading that always signals"),
        pytest.param(lambda: limits_for(0.0, resets_per_reading=0.0), id="no budget"),
        pytest.param(lambda: limits_for(-1.0, resets_per_reading=0.0), id="a negative budget"),
        pytest.param(lambda: limits_for(math.nan, resets_per_reading=0.0), id="a budget that is no number"),
        pytest.param(lambda: limits_for(101.0, resets_per_reading=0.0), id="a budget of a tenth of all visits"),
        pytest.param(lambda: limits_for(2.0, resets_per_reading=1.0), id="a wick change at every visit"),
        pytest.param(lambda: limits_for(2.0, resets_per_reading=math.nan), id="wick changes that are no number"),
        pytest.param(lambda: limits_for(2.0, resets_per_reading=0.0, one_visit_share=1.0), id="nothing left for the chart"),
        pytest.param(lambda: limits_for(90.0, resets_per_reading=0.0, k=2.0), id="more false alarms than a chart has"),
        pytest.param(lambda: false_alarms_per_1000(QUICK, resets_per_reading=0.0, readings_drawn=0), id="no readings drawn"),
    ],
)  # fmt: skip
def test_nonsense_is_refused(ask):
    with pytest.raises(Nonsense):
        ask()


@settings(max_examples=60, deadline=None)
@given(
    hnp.arrays(np.float64, (4, 7), elements=st.floats(-9, 9)),
    hnp.arrays(np.int8, (4, 7), elements=st.integers(0, 4)),
    hnp.arrays(np.bool_, (4, 7)),
    hnp.arrays(np.int64, (4,), elements=st.integers(-1, 7)),
)
def test_whatever_is_read_a_unit_has_one_answer_whatever_is_drawn_beside_it(z, kind, kept, wick_slot):
    together = drift(z, kind, kept, wick_slot, QUICK)
    assert np.isfinite(together.low).all()
    assert np.isfinite(together.high).all()
    assert ((together.since >= 0) == (together.finding != NOTHING)).all()
    assert (together.since < 7).all()
    assert not (together.by_one_visit & (together.finding == NOTHING)).any()
    for unit in range(4):
        own = slice(unit, unit + 1)
        alone = drift(z[own], kind[own], kept[own], wick_slot[own], QUICK)
        assert (alone.low[0], alone.high[0]) == (together.low[unit], together.high[unit])
        assert found(alone) == (together.finding[unit], together.since[unit])


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 60), st.floats(0, 0.5), st.integers(1, 24))
def test_whatever_the_budget_the_limits_keep_it(budget, resets, drawn):
    limits = limits_for(budget, resets_per_reading=resets, readings_drawn=drawn)
    realised = false_alarms_per_1000(limits, resets_per_reading=resets, readings_drawn=drawn)
    assert realised == pytest.approx(budget, rel=1e-4)
