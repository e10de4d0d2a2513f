"""One unit's history out of its events."""

from __future__ import annotations

import json

from servicing.rules.fold import effective
from servicing.rules.unit import UnitHistory, fold_unit
from tests.servicing.plain_events import OTHER_STATION, STATION, event, exchanged, installed


def fold(*events):
    return fold_unit(effective(list(events)), None, [e for e in events if e.is_ahead])


def codes(history):
    return [finding[0] for finding in history.findings]


def test_a_unit_is_printed_then_up_then_withdrawn():
    assert fold().status == "printed"
    assert fold(installed()).status == "up"
    assert fold(installed(), event("unit.withdrawn", 40, reason="replaced")).status == "withdrawn"


def test_the_mass_balance_of_a_month_follows_the_litres_that_went_in_and_came_out():
    # Common practice, no source: a cartridge of 280 mL; 40 mL left in it and 20 mL in the reservoir after 30 days
    # mean 220 mL in 30 days, 7.3 mL a day.
    history = fold(installed(), exchanged(30, left=40, before=20))

    assert history.intervals == [[280, 220, 30 * 86_400, False]]
    assert history.level_ml == 300


def test_what_is_wiped_out_of_the_reservoir_did_not_drip():
    wiped = event("reservoir.cleaned", 29, wiped_out_ml=20)

    assert fold(installed(), wiped, exchanged(30, left=40, before=0)).intervals[0][1] == 220


def test_an_empty_unit_on_arrival_is_marked_as_such_and_an_unread_one_gives_no_rate():
    empty = fold(installed(), exchanged(30, left=0, before=0))
    unread = fold(installed(), exchanged(30, left=None, before=None))

    assert empty.intervals[0][1:] == [280, 30 * 86_400, True]
    assert unread.intervals[0][1:] == [None, 30 * 86_400, False]


def test_more_left_than_was_filled_is_a_finding_and_no_rate():
    history = fold(installed(), exchanged(30, left=290, before=20))

    assert codes(history) == ["more_left_than_filled"]
    assert history.intervals[0][1] is None


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


def test_a_wick_change_restarts_the_wick_and_forgets_what_the_old_one_let_through():
    history = fold(installed(), exchanged(30), event("wick.changed", 30.1, reason="slow"))

    assert history.intervals == []
    assert history.wick_since is not None
    assert history.wick_since.startswith("2026-04-01")


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
        ]
    )

    whole = fold_unit(events)
    for split in range(len(events)):
        stored = json.loads(json.dumps(fold_unit(events[:split]).to_json()))
        resumed = fold_unit(events[split:], UnitHistory.from_json(stored))
        assert json.dumps(resumed.to_json()) == json.dumps(whole.to_json())
