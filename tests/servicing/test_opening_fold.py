"""A unit that hung before its operator began: what its fold makes of an opening state, and of what comes after."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import permutations
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import pytest

from servicing.events.reading import BadPayload, read_payload
from servicing.events.types import EventType
from servicing.queries.months.reading import UNREAD, Said
from servicing.queries.months.tenancies import ENDLESS, Days, Hung, Map, walk
from servicing.rules import opening
from servicing.rules.fold import effective
from servicing.rules.forecasting.looks import WickLine, looks_of
from servicing.rules.lifetimes.wick_life import PRIOR_WICK
from servicing.rules.months import WickSpan, expected_failures
from servicing.rules.unit import fold_unit
from tests.servicing.plain_events import (
    CARTRIDGE,
    OTHER_STATION,
    START,
    STATION,
    UNIT,
    countered,
    event,
    exchanged,
    installed,
)

NINE = "T09:00:00.000000+00:00"


def opened(day: float = 0, **known):
    """An opening on a day after START, which is 2 March 2026, 09:00 UTC."""
    as_of = (START + timedelta(days=day)).date()
    return event("unit.opened", day, station_id=str(STATION), as_of=str(as_of), **known)


def charged(**known):
    """With a cartridge of 280 mL put in on 10 February: 20 days before START."""
    cartridge = {"cartridge_id": str(CARTRIDGE), "charge_ml": 280, "last_exchange_on": "2026-02-10"}
    return opened(**{**cartridge, **known})


def fold(*events):
    return fold_unit(effective(list(events)), None, [one for one in events if one.is_ahead])


def codes(history):
    return [finding[0] for finding in history.findings]


def test_an_opened_unit_hangs_at_its_station_and_what_nobody_knows_stays_unknown():
    history = fold(opened())

    assert (history.status, history.station_id, history.findings) == ("up", str(STATION), [])
    assert history.installed_at == history.opened_at == f"2026-03-02{NINE}"
    assert history.served_at == history.opened_at
    unknown = (
        "said_installed_on",
        "cartridge_id",
        "charge_ml",
        "charged_at",
        "last_exchange_at",
        "level_ml",
        "level_at",
    )
    unknown += ("set_dose_ml_per_day", "wick_since", "wick_condition", "wick_checked_at", "wick_good_s")
    unknown += ("wick_failed_s", "wick_entered_at", "reservoir_cleaned_at")
    assert {name: getattr(history, name) for name in unknown} == dict.fromkeys(unknown)


def test_the_days_that_are_known_are_taken_at_the_time_of_day_of_the_opening():
    history = fold(
        charged(
            installed_on="2023-07-01",
            wick_fitted_on="2025-12-01",
            wick_condition="slow",
            reservoir_cleaned_on="2026-01-15",
            dose_ml_per_day="7.5",
        )
    )

    assert history.said_installed_on == "2023-07-01"
    assert (history.last_exchange_at, history.charged_at) == (f"2026-02-10{NINE}", f"2026-02-10{NINE}")
    assert (history.level_ml, history.level_at) == (280, f"2026-02-10{NINE}")
    assert (history.wick_since, history.wick_condition) == (f"2025-12-01{NINE}", "slow")
    assert history.wick_checked_at == history.wick_entered_at == f"2026-03-02{NINE}"
    assert history.wick_good_s == int(START.timestamp())
    assert history.reservoir_cleaned_at == f"2026-01-15{NINE}"
    assert history.set_dose_ml_per_day == "7.5"
    assert history.served_at == f"2026-02-10{NINE}"


def test_what_was_read_on_the_day_counts_before_what_was_put_in():
    history = fold(charged(left_ml=90))

    assert (history.level_ml, history.level_at) == (90, f"2026-03-02{NINE}")
    assert history.charged_at == f"2026-02-10{NINE}"


def test_the_first_exchange_after_it_balances_what_was_put_in_before():
    # By hand: 280 mL on 10 February, 40 and 20 mL left on 12 March, 30 days later: 220 mL, 7.3 mL a day.
    # `date -u -d '2026-03-12 09:00' +%s` says 1773306000.
    history = fold(charged(left_ml=90), exchanged(10, left=40, before=20))

    assert history.intervals == [[1_773_306_000, 30 * 86_400, 280, 40, 20, 0, ""]]


def test_a_charge_of_which_only_the_day_is_known_says_nothing_of_a_few_days():
    days_before = charged(last_exchange_on="2026-03-01")

    assert fold(days_before, exchanged(8.99)).intervals == []
    assert [one[1] for one in fold(days_before, exchanged(9)).intervals] == [10 * 86_400]
    # From the next charge on the time is known to the second.
    assert [one[1] for one in fold(days_before, exchanged(1), exchanged(3)).intervals] == [2 * 86_400]


def test_without_its_day_or_its_volume_a_charge_balances_nothing():
    no_day = opened(cartridge_id=str(CARTRIDGE), charge_ml=280)
    no_volume = opened(last_exchange_on="2026-02-10")

    assert fold(no_day, exchanged(30)).intervals == []
    assert fold(no_volume, exchanged(30)).intervals == []
    assert codes(fold(no_day, exchanged(30, left=300))) == ["more_left_than_filled"]
    assert codes(fold(no_volume, exchanged(30, left=40, before=0))) == ["level_contradicts"]


def test_a_wick_that_was_there_joins_no_lives_and_the_next_one_does():
    # Only those that had lasted were there to be seen: to count them would make wicks look older than they get.
    changed = event("wick.changed", 50, reason="age"), event("wick.changed", 200, reason="age")
    history = fold(charged(wick_fitted_on="2025-12-01", wick_condition="good"), *changed)

    days = [
        [(at - START.timestamp()) / 86_400 for at in life if at is not None] for life in history.wick_lives
    ]
    assert days == [[50, 50, 200]]
    assert history.wick_entered_at is None
    assert (
        fold(charged(wick_fitted_on="2025-12-01"), event("unit.withdrawn", 9, reason="other")).wick_lives
        == []
    )


def test_a_wick_seen_failed_at_the_opening_has_failed_until_it_is_washed():
    failed = charged(wick_fitted_on="2025-12-01", wick_condition="failed")

    assert fold(failed).wick_failed_s == int(START.timestamp())
    assert fold(failed, exchanged(10)).intervals[0][-1] == "w"
    assert fold(failed, event("wick.washed", 5)).wick_failed_s is None


def test_what_the_log_knows_already_is_contradicted_and_changes_nothing():
    late = opened(5, wick_fitted_on="2025-12-01")

    known = fold(installed(), late)
    assert codes(known) == ["opened_after_installed"]
    assert (known.opened_at, known.installed_at) == (None, f"2026-03-02{NINE}")
    twice = fold(opened(), late)
    assert codes(twice) == ["opened_twice"]
    assert (twice.opened_at, twice.wick_since) == (f"2026-03-02{NINE}", None)
    gone = fold(opened(), event("unit.withdrawn", 2, reason="other"), late)
    assert (codes(gone), gone.status) == (["opened_after_installed"], "withdrawn")


def test_a_later_installation_moves_it_and_one_after_its_withdrawal_begins_anew():
    moved = fold(charged(), installed(5, station=OTHER_STATION))
    assert (codes(moved), moved.station_id, moved.charge_ml) == (["installed_twice"], str(OTHER_STATION), 280)
    assert moved.opened_at == f"2026-03-02{NINE}"

    again = fold(charged(installed_on="2023-07-01"), event("unit.withdrawn", 5, reason="other"), installed(9))
    assert (again.status, again.opened_at, again.said_installed_on) == ("up", None, None)
    assert again.findings == []


def test_undone_it_is_printed_again_and_work_since_waits_for_another():
    said = opened()
    work = exchanged(3)

    undone = fold(said, work, countered(said, 4))
    assert (undone.status, codes(undone)) == ("printed", ["serviced_before_installed"])
    instead = fold(said, work, countered(said, 4), charged())
    assert (instead.status, instead.findings, len(instead.intervals)) == ("up", [], 1)


def test_work_before_it_is_not_part_of_it():
    history = fold(exchanged(-1), opened())

    assert (history.status, codes(history), history.charged_at) == ("up", ["serviced_before_installed"], None)


def test_any_order_of_arrival_gives_the_same_history():
    events = [charged(), exchanged(10), opened(12), event("wick.changed", 14, reason="failed")]
    events.append(countered(events[2], 20))
    told = {str(fold(*order).to_json()) for order in permutations(events)}

    assert len(told) == 1


def test_in_every_zone_each_day_stays_the_day_it_was():
    # The IANA data of zoneinfo decides: in every zone, across both changes of the year, Lord Howe's half hour and Troll's
    # two hours among them, the day that was said is the local date of the instant that stands for it.
    for name in sorted(available_timezones()):
        zone = ZoneInfo(name)
        for as_of in (date(2026, 1, 20), date(2026, 7, 20)):
            at = opening.occurred_at(as_of, zone, datetime(2027, 1, 1, tzinfo=UTC))
            for days in (0, 1, 30, 100, 118, 120, 200, 365):
                day = as_of - timedelta(days=days)
                said = {"as_of": str(as_of), "day": str(day)}
                moment = opening.moment(at.isoformat(timespec="microseconds"), said, "day")
                assert datetime.fromisoformat(moment).astimezone(zone).date() == day, (name, day)
            assert opening.is_its_day(as_of, at)


def test_it_never_occurs_later_than_it_is_said():
    now = datetime(2026, 3, 2, 0, 30, tzinfo=UTC)

    assert opening.occurred_at(date(2026, 3, 2), ZoneInfo("UTC"), now) == now
    assert opening.occurred_at(date(2026, 3, 1), ZoneInfo("UTC"), now) == datetime(2026, 3, 1, 3, tzinfo=UTC)


@pytest.mark.parametrize(
    ("known", "pointer", "code"),
    [
        ({"last_exchange_on": "2026-03-03"}, "/payload/last_exchange_on", "after-as-of"),
        ({"wick_fitted_on": "1970-01-01"}, "/payload/wick_fitted_on", "too-early"),
        (
            {"installed_on": "2026-02-01", "last_exchange_on": "2026-01-31"},
            "/payload/last_exchange_on",
            "before-installed",
        ),
        ({"charge_ml": 280}, "/payload/cartridge_id", "missing"),
        ({"as_of": "0001-01-01"}, "/payload/as_of", "too-early"),
    ],
)
def test_days_that_contradict_each_other_are_refused_by_name(known, pointer, code):
    said = {"station_id": str(STATION), "as_of": "2026-03-02", **known}
    with pytest.raises(BadPayload) as refused:
        read_payload(EventType.UNIT_OPENED, 1, said)

    assert [(one.pointer, one.code) for one in refused.value.problems] == [(pointer, code)]


def test_a_wick_may_be_older_than_the_unit_that_it_hangs_in():
    said = {"installed_on": "2026-02-01", "wick_fitted_on": "2025-06-01"}

    assert fold(opened(**said)).wick_since == f"2025-06-01{NINE}"


def lines(*said):
    return [WickLine("u", day * 86_400, kind, word) for day, kind, word in said]


def test_looks_at_a_wick_that_was_there_say_nothing_of_ages_but_of_washing():
    found = looks_of(
        lines(
            (0, "unit.opened", ""),
            (5, "wick.checked", "slow"),
            (6, "wick.washed", ""),
            (9, "wick.checked", "good"),
        )
    )

    assert (found.looks, found.washed, found.recovered) == ([], 1, 1)


ONE_SITE = Map(
    {str(STATION): 0}, [Days("UTC", date(2025, 12, 1), date(2026, 12, 31))], [("school", "soft")], ["acid"]
)


def told(kind, day, word="", ref=None, charge_ml=None):
    at_us = int((START + timedelta(days=day)).timestamp() * 1_000_000)
    return Said("unit", UNIT, at_us, kind, word, ref, charge_ml, UNIT)


def test_in_the_months_it_hangs_from_its_day_on_and_its_wick_counts_from_then_at_its_age():
    fitted = date(2025, 12, 1).toordinal()
    since, changed = START.toordinal(), START.toordinal() + 40
    walked = walk(
        [(0, [told("unit.opened", 0, "2025-12-01", str(STATION)), told("wick.changed", 40, "failed")])],
        ONE_SITE,
    )

    assert [(one.since, one.until) for one in walked.tenures] == [(since, ENDLESS)]
    assert [one.charge_ml for one in walked.hung] == [UNREAD]
    assert walked.wicks[0][:2] == (fitted, changed)
    assert [one.entered for one in walked.wicks] == [since, 0]


def test_in_the_months_what_was_in_it_counts_and_a_second_opening_does_not():
    walked = walk(
        [
            (
                0,
                [
                    told("unit.opened", 0, "", str(STATION), 90),
                    told("unit.opened", 5, "", str(STATION), 200),
                    told("unit.withdrawn", 9),
                    told("unit.opened", 12, "", str(STATION)),
                ],
            )
        ],
        ONE_SITE,
    )

    start_s = int(START.timestamp())
    assert walked.hung == [Hung(0, start_s, start_s + 9 * 86_400, 90, 0)]


def test_before_a_wick_was_looked_after_none_of_its_failures_is_expected():
    label = ("school", "soft", "acid")
    starts, ends = np.array([1_000, 1_030]), np.array([1_030, 1_060])
    seen = expected_failures(PRIOR_WICK, [WickSpan(700, 2_000, label)], starts, ends)
    entered = expected_failures(PRIOR_WICK, [WickSpan(700, 2_000, label, 1_030)], starts, ends)

    assert seen[0] > 0
    assert entered.tolist() == [0.0, seen[1]]
