"""One unit's history out of its events."""

from __future__ import annotations

import json

from servicing.rules.fold import effective
from servicing.rules.unit import UnitHistory, fold_unit
from tests.servicing.plain_events import OTHER_STATION, START, STATION, event, exchanged, installed


def fold(*events):
    return fold_unit(effective(list(events)), None, [e for e in events if e.is_ahead])


def codes(history):
    return [finding[0] for finding in history.findings]


def wicks(history):
    """The ended wicks, their instants as days after the first; None stays."""
    return [
        tuple(None if s is None else (s - START.timestamp()) // 86_400 for s in life)
        for life in history.wick_lives
    ]


def test_a_unit_is_printed_then_up_then_withdrawn():
    assert fold().status == "printed"
    assert fold(installed()).status == "up"
    assert fold(installed(), event("unit.withdrawn", 40, reason="replaced")).status == "withdrawn"


def test_the_mass_balance_of_a_month_follows_the_litres_that_went_in_and_came_out():
    # Common practice, no source: a cartridge of 280 mL; 40 mL left in it and 20 mL in the reservoir after 30 days
    # mean 220 mL in 30 days, 7.3 mL a day.
    history = fold(installed(), exchanged(30, left=40, before=20))

    # 2 March 2026, 09:00 UTC and 30 days are 1 April; `date -u -d '2026-04-01 09:00' +%s` says 1775034000.
    assert history.intervals == [[1_775_034_000, 30 * 86_400, 280, 40, 20, 0, ""]]
    assert history.level_ml == 300


def test_what_is_wiped_out_of_the_reservoir_did_not_drip():
    wiped = event("reservoir.cleaned", 29, wiped_out_ml=20)
    history = fold(installed(), wiped, exchanged(30, left=40, before=0))

    assert history.intervals[0][2:] == [280, 40, 0, 20, ""]


def test_an_empty_unit_on_arrival_is_marked_as_such_and_an_unread_one_gives_no_rate():
    empty = fold(installed(), exchanged(30, left=0, before=0))
    unread = fold(installed(), exchanged(30, left=None, before=None))

    assert empty.intervals[0][3:5] == [0, 0]
    assert unread.intervals[0][3:5] == [None, None]


def test_more_left_than_was_filled_is_a_finding_and_no_rate():
    history = fold(installed(), exchanged(30, left=290, before=20))
    half_read = fold(installed(), exchanged(30, left=290, before=None))
    summed = fold(installed(), exchanged(30, left=270, before=20))

    assert [codes(one) for one in (history, half_read, summed)] == [["more_left_than_filled"]] * 3
    assert [one.intervals[0][3:5] for one in (history, half_read, summed)] == [[None, None]] * 3


def test_a_reservoir_read_dry_under_a_cartridge_with_liquid_contradicts_itself_unless_it_was_wiped():
    wiped = event("reservoir.cleaned", 29, wiped_out_ml=20)
    read = event("level.read", 10, cartridge_left_ml=200, reservoir_ml=0)
    dry = event("level.read", 20, cartridge_left_ml=0, reservoir_ml=0)

    assert codes(fold(installed(), exchanged(30, left=40, before=0))) == ["level_contradicts"]
    assert codes(fold(installed(), read)) == ["level_contradicts"]
    assert codes(fold(installed(), dry, exchanged(30, left=0, before=0))) == []
    assert codes(fold(installed(), wiped, exchanged(30, left=40, before=0))) == []
    assert codes(fold(installed(), wiped, exchanged(30), exchanged(60, left=40, before=0))) == [
        "level_contradicts"
    ]
    # The reading stays what it is.
    assert fold(installed(), exchanged(30, left=40, before=0)).intervals[0][3:5] == [40, 0]


def test_a_balance_tells_what_happened_since_the_charge_before():
    def found(mode: str, day: float):
        return event("fault.found", day, mode=mode, detection="visit_check")

    history = fold(
        installed(),
        found("STD", 3),
        event("leak.stopped", 4),
        event("wick.checked", 5, condition="failed"),
        found("PLU", 29),
        event("outlet.cleared", 29.1, drips_again=True),
        exchanged(30),
        found("NOO", 40),
        event("wick.checked", 59, condition="slow"),
        exchanged(60),
        found("HIO", 70),
    )

    assert [one[-1] for one in history.intervals] == ["wols", ""]
    assert history.marks == "l"


def test_another_dose_forgets_the_balances_of_the_old_one_and_marks_the_one_under_way():
    history = fold(installed(), exchanged(30), event("dose.set", 40, dose_ml_per_day="6"), exchanged(60))

    assert [one[-1] for one in history.intervals] == ["d"]


def test_work_before_the_installation_or_after_the_withdrawal_is_a_finding_and_changes_nothing():
    early = exchanged(-1)
    late = event("wick.changed", 50, reason="age")
    gone = event("unit.withdrawn", 40, reason="replaced")

    history = fold(early, installed(), gone, late)

    assert codes(history) == ["serviced_before_installed", "touched_after_withdrawal"]
    assert history.last_exchange_at is None
    assert history.wick_since == fold(installed()).wick_since


def test_a_unit_installed_twice_moves_and_leaves_a_finding():
    history = fold(installed(), installed(3, station=OTHER_STATION))

    assert codes(history) == ["installed_twice"]
    assert history.station_id == str(OTHER_STATION)
    assert history.installed_at == fold(installed()).installed_at


def test_a_unit_that_comes_back_begins_anew():
    gone = event("unit.withdrawn", 40, reason="damaged")
    back = installed(60, wick="unknown")

    history = fold(installed(), exchanged(30), gone, back)

    assert history.status == "up"
    assert history.last_exchange_at is None
    assert history.wick_since is None


def test_a_wick_change_restarts_the_wick_and_marks_the_balance_it_falls_into():
    changed = event("wick.changed", 30.1, reason="slow")
    history = fold(installed(), exchanged(30), changed, exchanged(60))

    assert [one[-1] for one in history.intervals] == ["", "w"]
    assert history.wick_since is not None
    assert history.wick_since.startswith("2026-04-01")


def test_a_wick_that_ended_is_known_by_when_it_was_last_seen_good_and_first_seen_failed():
    def looked(day: float, condition: str):
        return event("wick.checked", day, condition=condition)

    old = [installed(), looked(100, "good"), looked(200, "slow"), looked(300, "failed")]
    failed = event("wick.changed", 330, reason="failed")

    assert wicks(fold(*old, failed)) == [(0, 200, 300, 330)]
    assert wicks(fold(installed(), failed)) == [(0, 0, 330, 330)]
    assert wicks(fold(installed(), looked(90, "good"), event("wick.changed", 100, reason="age"))) == [
        (0, 90, None, 100)
    ]
    # Seen failed and then changed for its age: it had failed all the same.
    assert wicks(fold(*old, event("wick.changed", 330, reason="age"))) == [(0, 200, 300, 330)]


def test_a_wick_that_washing_or_a_later_look_proved_right_had_not_failed():
    failed = event("wick.checked", 300, condition="failed")
    gone = event("unit.withdrawn", 400, reason="replaced")
    washed = event("wick.washed", 300.1)
    good = event("wick.checked", 330, condition="good")

    assert wicks(fold(installed(), failed, gone)) == [(0, 0, 300, 400)]
    assert wicks(fold(installed(), failed, washed, gone)) == [(0, 0, None, 400)]
    assert wicks(fold(installed(), failed, good, gone)) == [(0, 330, None, 400)]
    assert wicks(fold(installed(), failed, washed, event("wick.checked", 390, condition="failed"), gone)) == [
        (0, 0, 390, 400)
    ]


def test_a_wick_of_unknown_age_leaves_no_life_and_those_of_a_unit_that_comes_back_stay():
    unknown = installed(wick="unknown")
    good = event("wick.checked", 50, condition="good")
    changed = event("wick.changed", 100, reason="age")
    gone = event("unit.withdrawn", 150, reason="replaced")
    back = installed(200, wick="unknown")

    assert fold(unknown).wick_good_s is None
    assert fold(unknown, good).wick_good_s is not None
    assert wicks(fold(unknown, good, changed)) == []
    history = fold(unknown, changed, gone, back)
    assert wicks(history) == [(100, 100, None, 150)]
    assert (history.wick_since, history.wick_good_s, history.wick_failed_s) == (None, None, None)


def test_a_history_with_balances_of_an_older_shape_is_folded_on_without_them():
    stored = fold(installed(), exchanged(30)).to_json()
    stored["intervals"] = [[280, 220, 30 * 86_400, False]]

    history = fold_unit([exchanged(60)], UnitHistory.from_json(stored))

    assert history.intervals == fold(installed(), exchanged(30), exchanged(60)).intervals[1:]


def test_faults_make_a_unit_down_or_degraded_until_they_are_closed():
    plugged = event("fault.found", 5, mode="PLU", detection="visit_check")
    leak = event("fault.found", 6, mode="ELU", detection="visit_check")
    cleared = event("outlet.cleared", 7, drips_again=True)
    stopped = event("leak.stopped", 8)

    assert fold(installed(), plugged, leak).status == "down"
    assert fold(installed(), plugged, leak, cleared).status == "degraded"
    assert fold(installed(), plugged, leak, cleared, stopped).status == "up"


def test_a_new_cartridge_alone_cures_a_dry_unit_and_not_a_plugged_one():
    dry = event("fault.found", 5, mode="NOO", detection="report")
    plugged = event("fault.found", 5, mode="PLU", detection="report")

    assert fold(installed(), dry, exchanged(6)).status == "up"
    assert fold(installed(), plugged, exchanged(6)).status == "down"


def test_a_report_closed_by_a_clock_that_runs_behind_is_closed_all_the_same():
    report = event("report.received", 5, kind="odour")
    closed = event("report.closed", 4.99, report_event_id=str(report.event_id))

    assert fold(installed(), report).reports != {}
    assert fold(installed(), report, closed).reports == {}
    assert fold(installed(), report, closed).closed_before_received == []


def test_an_event_ahead_of_its_clock_leaves_a_finding_and_nothing_else():
    ahead = event("unit.moved", 5, received_day=4, station_id=str(OTHER_STATION))

    history = fold(installed(), ahead)

    assert codes(history) == ["clock_ahead"]
    assert history.station_id == str(STATION)


def test_folding_on_from_a_stored_history_gives_the_bytes_of_folding_it_all():
    events = effective(
        [
            exchanged(-1),
            installed(),
            exchanged(30),
            event("fault.found", 31, mode="PLU", detection="visit_check"),
            exchanged(60, left=0, before=0),
            event("wick.changed", 60.1, reason="age"),
            event("report.received", 61, kind="odour"),
            event("reservoir.cleaned", 62, wiped_out_ml=5),
            event("level.read", 63, cartridge_left_ml=100, reservoir_ml=0),
            event("wick.checked", 64, condition="failed"),
            exchanged(90),
            event("unit.withdrawn", 91, reason="replaced"),
            installed(92, wick="unknown"),
        ]
    )

    whole = fold_unit(events)
    for split in range(len(events)):
        stored = json.loads(json.dumps(fold_unit(events[:split]).to_json()))
        resumed = fold_unit(events[split:], UnitHistory.from_json(stored))
        assert json.dumps(resumed.to_json()) == json.dumps(whole.to_json())
