"""The judge of the forecasts, judged: on the tiny world, without a database."""

import copy
import json
import math
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from uuid import uuid4

import numpy as np
import pytest

from demo_tenant.operators import OPERATORS
from demo_tenant.presets import PRESETS, span_of
from demo_tenant.scoring.cuts import cut_days, cuts_of
from demo_tenant.scoring.dead_wicks import dead_wicks, history_ahead_of_the_look
from demo_tenant.scoring.files import Files
from demo_tenant.scoring.judging import bill_policies
from demo_tenant.scoring.known import Knowledge, heard_of
from demo_tenant.scoring.oracle import season_of_the_world
from demo_tenant.scoring.scores import coverage, median_error, reliability, table, width
from demo_tenant.scoring.truth import Sight, days_until_dry, tell_watched
from demo_tenant.scoring.verdict import simulated_scores, world_scores
from demo_tenant.scoring.wick_policies import (
    CHANGE,
    Prices,
    at_twelve_months,
    replay,
    run_to_failure,
    true_lives_days,
)
from demo_tenant.setting import Setting
from demo_tenant.story import digest_of
from demo_tenant.streams import Stream
from demo_tenant.world import DAY, SEASON_SWING, TrueUnit, season_factor
from servicing.queries.rehearsal import fold_heard, learn

AS_OF = date(2026, 11, 24)
PRICES = Prices(change=8, failure=30, down_day=0.5, wash=3)


@pytest.fixture(scope="module")
def watched():
    return tell_watched(Setting(OPERATORS[2], PRESETS["tiny"], span_of(PRESETS["tiny"], AS_OF), "7"))


def a_unit(at):
    truth = TrueUnit(OPERATORS[0], "office", Stream("7", "scoring", "unit", 0), at, 0.0)
    for name in ("plug_at", "leak_at", "wick_ends_at", "lost_at"):
        setattr(truth, name, at + timedelta(days=9_000))
    truth.dose = 8.0
    return truth


def test_who_looks_on_changes_nothing(watched, tiny_quarrow):
    story, onlooker = watched

    assert digest_of([story]) == digest_of([tiny_quarrow])
    assert set(onlooker.sights) <= {unit.id for unit in story.units}


def test_a_unit_alone_runs_dry_as_the_story_reckons_from_touch_to_touch():
    at = datetime(2026, 3, 22, tzinfo=UTC)
    truth = a_unit(at)
    # Ten days with their middle in March, then a month with its middle in April.
    in_march = 10 * 8.0 * season_factor(at)
    in_april = 8.0 * season_factor(datetime(2026, 4, 15, tzinfo=UTC))

    expected = 10 + (280 - in_march) / in_april

    assert days_until_dry(truth, at + 10 * DAY) == pytest.approx(expected, abs=1e-6)
    assert truth.total_ml == 280, "the snapshot stays as it was"


def test_a_dry_date_is_the_one_that_the_story_told(watched):
    _, onlooker = watched
    lived = [
        (before, after)
        for sights in onlooker.sights.values()
        for before, after in pairwise(sights)
        if after.held_ml == 0
    ]

    assert len(lived) >= 5
    assert all(
        days_until_dry(before.after, after.at) <= (after.at - before.at) / DAY for before, after in lived
    )


def test_what_befalls_a_unit_alone_counts():
    at = datetime(2026, 3, 22, tzinfo=UTC)
    sound, plugged, leaking, worn = (a_unit(at) for _ in range(4))
    plugged.plug_at = at + 5 * DAY
    leaking.leak_at = at
    worn.wick_ends_at = at

    assert math.isinf(days_until_dry(plugged))
    assert days_until_dry(leaking) < 8 < days_until_dry(sound) < days_until_dry(worn) < 150


def test_knowledge_brought_forward_is_the_fold_of_all_that_was_received(watched):
    heard = heard_of(watched[0])
    days = [
        datetime.combine(day, datetime.min.time(), tzinfo=UTC) for day in cut_days(AS_OF, date(2026, 7, 25))
    ]
    days.append(datetime(2026, 11, 24, 20, 30, tzinfo=UTC))
    forward = {unit_id: Knowledge(own) for unit_id, own in heard.items()}

    for at in days:
        for unit_id, own in heard.items():
            anew = fold_heard([one for one in own if one.received_at < at])
            assert forward[unit_id].upto(at).to_json() == anew.to_json()


def test_a_cut_holds_each_hanging_unit_with_its_last_touch(watched):
    story, onlooker = watched

    seen = [
        (cut.at, datetime.fromisoformat(case.history.level_at), case)
        for cut in cuts_of(story, onlooker, heard_of(story))
        for case in cut.cases
    ]

    assert len({at for at, _, _ in seen}) == 3
    assert len(seen) >= 3 * 15
    assert all(level_at < at for at, level_at, _ in seen)
    assert all(
        min(abs(level_at - sight.at) for sight in onlooker.sights[case.unit_id]) < timedelta(minutes=5)
        for _, level_at, case in seen
    )
    assert 25 < np.median([case.dry_days for _, _, case in seen]) < 45


def test_a_dead_wick_is_told_once_from_the_visit_that_shows_it():
    at = datetime(2026, 5, 4, tzinfo=UTC)
    truth = a_unit(at)
    truth.wick_ends_at = at + 5 * DAY
    sights = [Sight("unit", "touch-0", at, 0.0, "good", True, copy.copy(truth))]
    for number in (1, 2):
        truth.advance(at + number * 28 * DAY)
        held = truth.total_ml
        truth.exchange(wiped=False)
        sights.append(Sight("unit", f"touch-{number}", truth.at, held, "failed", True, copy.copy(truth)))

    found = list(dead_wicks(sights))

    assert [one.touch_id for one in found] == ["touch-1"]
    assert found[0].more_ml == pytest.approx(23 * 8 * 0.65 * season_factor(at), rel=0.02)


def test_a_wick_dead_for_a_week_holds_back_too_little_to_be_told():
    at = datetime(2026, 5, 4, tzinfo=UTC)
    truth = a_unit(at)
    truth.wick_ends_at = at + 21 * DAY
    before = Sight("unit", "touch-0", at, 0.0, "good", True, copy.copy(truth))
    truth.advance(at + 28 * DAY)

    assert (
        list(dead_wicks([before, Sight("unit", "touch-1", truth.at, truth.total_ml, "failed", True, truth)]))
        == []
    )


def test_what_was_known_ahead_of_the_look_holds_the_levels_and_nothing_of_the_wick(watched):
    heard = heard_of(watched[0])
    own, change = next(
        (own, one)
        for own in heard.values()
        for one in own
        if one.type == "wick.changed" and one.touch_id is not None
    )
    ahead = history_ahead_of_the_look(own, change.touch_id)
    whole = fold_heard([one for one in own if one.occurred_at <= change.occurred_at + timedelta(minutes=10)])

    assert ahead.last_exchange_at == whole.last_exchange_at
    assert ahead.wick_since != whole.wick_since


def test_lives_of_wicks_are_each_told_once(watched):
    _, onlooker = watched
    lives = true_lives_days(onlooker.sights.values(), datetime(2020, 1, 1, tzinfo=UTC))

    assert 20 <= len(lives) <= 80
    assert min(life for _, life in lives) > 0
    assert {unit_id for unit_id, _ in lives} == set(onlooker.sights)


def test_a_wick_that_ends_after_ten_months_costs_what_each_rule_says():
    lives = [10 * 30.4375 + 6.0]

    changed_early = replay(lives, lambda wicks, ages, slow: np.where(ages > 200, CHANGE, 0), PRICES)
    to_failure = replay(lives, run_to_failure, PRICES)
    yearly = replay(lives, at_twelve_months, PRICES)

    assert (changed_early.cost, changed_early.changes) == (8, 1)
    assert changed_early.per_wick_year == pytest.approx(8 / (7 / 12))
    assert to_failure.cost == pytest.approx(30 + 0.5 * (30.4375 - 6))
    assert yearly == to_failure, "it does not live to be a year old"


def test_coverage_counts_those_inside_and_a_unit_that_never_dries_outside():
    score = coverage("x", np.full(5, 10.0), np.full(5, 20.0), np.array([10.0, 15.0, 20.0, 19.0, np.inf]))

    assert (score.figure, score.ok) == (0.8, True)
    assert coverage("x", np.full(2, 10.0), np.full(2, 20.0), np.array([12.0, 13.0])).ok is False


def test_width_is_cut_at_the_day_from_which_all_is_later():
    score = width("x", (np.array([10.0]), np.array([900.0])), (np.array([50.0]), np.array([200.0])))

    assert score.figure == pytest.approx(190 / 150)
    assert score.ok is False


def test_reliability_is_the_worst_tenth_with_cases_enough():
    chances = np.concatenate([np.full(400, 0.25), np.full(100, 0.95)])
    happened = np.concatenate([np.arange(400) < 120, np.full(100, False)])

    score = reliability("x", chances, happened)

    assert score.figure == pytest.approx(0.05)
    assert score.ok is False
    assert reliability("x", chances[:400], np.arange(400) < 104).ok is True


def test_no_cases_at_all_miss_every_target():
    none = np.array([])

    assert not coverage("x", none, none, none).ok
    assert not reliability("x", none, none.astype(bool)).ok
    assert not median_error("x", none, none, none).ok


@pytest.fixture(scope="module")
def scores():
    return world_scores("tiny", AS_OF, "7", lambda text: None)


def test_every_score_of_a_world_has_its_figure_its_target_and_its_cases(scores):
    said = [score.to_json() for score in scores]

    assert {"name", "figure", "target", "ok", "of"} <= set(said[0])
    assert [one["name"] for one in said if "80 %" in one["name"]] == [
        *(f"dry date 80 % interval, {plan.slug}" for plan in OPERATORS),
        "dry date 80 % interval, all",
    ]
    assert sum(one["of"] for one in said[:3]) == said[3]["of"] > 100
    assert json.loads(json.dumps(said, allow_nan=False)) == said


def test_even_four_months_of_three_small_operators_beat_counting_nominal_days(scores):
    error = next(score for score in scores if score.name == "dry date error against nominal days")

    assert error.ok
    assert error.detail["days"] < error.detail["nominal_days"]


def test_the_table_says_which_targets_are_missed(scores):
    lines = table(scores).splitlines()

    assert sum(line.startswith("MISS") for line in lines) == sum(not score.ok for score in scores) > 0
    assert sum(line.startswith("ok ") for line in lines) == sum(score.ok for score in scores) > 0


def test_what_is_simulated_is_held_to_its_targets_too():
    alarms, lives = simulated_scores(lambda text: None, visits=10_000, seeds=3)

    assert alarms.of >= 10_000
    assert set(alarms.detail) == {"per_1000_1", "per_1000_2", "per_1000_5"}
    assert lives.of == 30
    assert lives.detail.keys() == {"scale_days", "shape", "tenth_days"}


def test_the_oracle_knows_the_season_of_the_world_and_how_far_its_steps_lie_from_it():
    sin, cos, left = season_of_the_world()

    assert math.hypot(sin, cos) == pytest.approx(SEASON_SWING, rel=0.02)
    # A step of a month's width around a sine of that swing: (swing x 2 pi / 12) / sqrt(12) / sqrt(2).
    assert left == pytest.approx(SEASON_SWING * 2 * math.pi / 12 / math.sqrt(24), rel=0.05)


def test_a_wick_of_a_unit_nobody_heard_of_is_billed_to_no_policy(watched):
    story, onlooker = watched
    files = Files(story)
    lives = true_lives_days(onlooker.sights.values(), datetime(2020, 1, 1, tzinfo=UTC))
    fits = learn([], [])

    known = bill_policies(story, files, lives, fits)
    with_a_stranger = bill_policies(story, files, [*lives, (uuid4(), 100.0)], fits)

    assert known == with_a_stranger
    assert known["run_to_failure"].failures == len(lives)
    assert known["at_twelve_months"].changes > 0
