"""The one clock and the dates it shows in the zones of sites.

Outside checks: the switch instants of 2026 (European Union: directive 2000/84/EC, last Sundays of March and October
at 01:00 UTC; the others from memory, recomputed with the zone rules of 2026), and python-dateutil, which reads its
own copy of the zone rules.
"""

import threading
import zoneinfo
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from dateutil import tz
from hypothesis import given
from hypothesis import strategies as st

from accounts import clock

# zone, instant in UTC, what the wall clock there jumps from and to
SWITCHES = [
    pytest.param("Europe/Berlin", "2026-03-29T01:00", "02:00", "03:00", id="Berlin goes forward"),
    pytest.param("Europe/Berlin", "2026-10-25T01:00", "03:00", "02:00", id="Berlin goes back"),
    pytest.param("America/New_York", "2026-03-08T07:00", "02:00", "03:00", id="New York goes forward"),
    pytest.param("America/New_York", "2026-11-01T06:00", "02:00", "01:00", id="New York goes back"),
    pytest.param(
        "Australia/Lord_Howe", "2026-04-04T15:00", "02:00", "01:30", id="Lord Howe goes back half an hour"
    ),
    pytest.param(
        "Australia/Lord_Howe", "2026-10-03T15:30", "02:00", "02:30", id="Lord Howe goes forward half an hour"
    ),
]

# zone, last instant of a local day (one second before midnight) in UTC, that day
LAST_SECONDS = [
    pytest.param(
        "Europe/Berlin", "2026-03-28T22:59:59", "2026-03-28", id="Berlin, the day before summer time"
    ),
    pytest.param("Europe/Berlin", "2026-03-29T21:59:59", "2026-03-29", id="Berlin, the short day"),
    pytest.param(
        "Europe/Berlin", "2026-10-24T21:59:59", "2026-10-24", id="Berlin, the day before winter time"
    ),
    pytest.param("Europe/Berlin", "2026-10-25T22:59:59", "2026-10-25", id="Berlin, the long day"),
    pytest.param("America/New_York", "2026-03-08T04:59:59", "2026-03-07", id="New York, the day before"),
    pytest.param("America/New_York", "2026-03-09T03:59:59", "2026-03-08", id="New York, the short day"),
    pytest.param("America/New_York", "2026-11-02T04:59:59", "2026-11-01", id="New York, the long day"),
    pytest.param("Australia/Lord_Howe", "2026-04-05T13:29:59", "2026-04-05", id="Lord Howe, the long day"),
    pytest.param("Australia/Lord_Howe", "2026-10-04T12:59:59", "2026-10-04", id="Lord Howe, the short day"),
    pytest.param("Asia/Kolkata", "2026-11-25T18:29:59", "2026-11-25", id="Kolkata, half an hour off"),
    pytest.param("Pacific/Apia", "2026-11-25T10:59:59", "2026-11-25", id="Apia, far east"),
    pytest.param(
        "Pacific/Apia", "2011-12-30T09:59:59", "2011-12-29", id="Apia, the day before the one left out"
    ),
]


def utc(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.fixture
def running_clock(monkeypatch):
    monkeypatch.delenv(clock.OFFSET_VARIABLE, raising=False)
    clock.set_to(None)
    yield
    clock.set_to(None)


@pytest.fixture
def locked_zones(monkeypatch):
    """As in production: the zone rules of the pinned tzdata package, not the machine's."""
    before = zoneinfo.TZPATH
    zoneinfo.reset_tzpath(())
    zoneinfo.ZoneInfo.clear_cache()
    clock.zone_of.cache_clear()
    yield
    zoneinfo.reset_tzpath([Path(part) for part in before])
    zoneinfo.ZoneInfo.clear_cache()
    clock.zone_of.cache_clear()


@pytest.mark.usefixtures("locked_zones")
@pytest.mark.parametrize(("zone", "at", "before", "after"), SWITCHES)
def test_the_wall_clock_jumps_at_the_known_instant(zone, at, before, after):
    # One minute before, the wall clock still counts towards `before`; at the instant it shows `after`.
    minute = timedelta(minutes=1)
    local = zoneinfo.ZoneInfo(zone)
    assert ((utc(at) - minute).astimezone(local) + minute).strftime("%H:%M") == before
    assert utc(at).astimezone(local).strftime("%H:%M") == after
    assert clock.local_date(utc(at) - minute, zone) == clock.local_date(utc(at), zone)


@pytest.mark.usefixtures("locked_zones")
@pytest.mark.parametrize(("zone", "last_second", "day"), LAST_SECONDS)
def test_the_date_turns_at_local_midnight(zone, last_second, day):
    at = utc(last_second)
    turned = clock.local_date(at + timedelta(seconds=1), zone)
    assert clock.local_date(at, zone) == date.fromisoformat(day)
    assert turned > date.fromisoformat(day)
    assert turned == (at + timedelta(seconds=1)).astimezone(tz.gettz(zone)).date()


def test_apia_went_from_29_to_31_december_2011():
    # Samoa left out 30 December 2011 when it crossed the date line (from memory, recomputed).
    assert clock.local_date(utc("2011-12-30T10:00:00"), "Pacific/Apia") == date(2011, 12, 31)


@given(
    instant=st.datetimes(datetime(2000, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    zone=st.sampled_from(
        ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Pacific/Apia"]
    ),
)
def test_dates_agree_with_dateutil(instant, zone):
    assert clock.local_date(instant, zone) == instant.astimezone(tz.gettz(zone)).date()


def test_a_naive_instant_and_an_unknown_zone_are_refused():
    with pytest.raises(ValueError, match="no offset"):
        clock.local_date(datetime(2026, 1, 1), "Europe/Berlin")  # noqa: DTZ001
    with pytest.raises(zoneinfo.ZoneInfoNotFoundError):
        clock.local_date(utc("2026-01-01"), "Europe/Nowhere")


@pytest.mark.usefixtures("running_clock")
def test_now_is_the_machines_time_in_utc():
    before = datetime.now(UTC)
    seen = clock.now()
    assert before <= seen <= datetime.now(UTC)
    assert seen.utcoffset() == timedelta(0)


@pytest.mark.usefixtures("running_clock")
@pytest.mark.parametrize("seconds", ["-86400", "3600", "-0.5"])
def test_the_environment_moves_the_clock(monkeypatch, seconds):
    monkeypatch.setenv(clock.OFFSET_VARIABLE, seconds)
    moved = timedelta(seconds=float(seconds))
    before = datetime.now(UTC)
    assert before <= clock.now() - moved <= datetime.now(UTC)


@pytest.mark.usefixtures("running_clock")
def test_an_offset_that_is_no_number_is_refused_aloud(monkeypatch):
    monkeypatch.setenv(clock.OFFSET_VARIABLE, "yesterday")
    with pytest.raises(ValueError):
        clock.now()


@pytest.mark.usefixtures("running_clock")
def test_a_played_clock_stands_still_and_goes_back_after():
    first, second = utc("2026-06-30T22:30"), utc("2027-01-01")
    clock.set_to(second)
    with clock.playing(first):
        assert clock.now() == first
        assert clock.today("Europe/Berlin") == date(2026, 7, 1)
        assert clock.today("America/New_York") == date(2026, 6, 30)
        with clock.playing(second):
            assert clock.now() == second
        assert clock.now() == first
    assert clock.now() == second


@pytest.mark.usefixtures("running_clock")
def test_the_clock_goes_back_after_an_error_too():
    held, played = utc("2026-01-01"), utc("2026-02-01")
    clock.set_to(held)
    with pytest.raises(LookupError), clock.playing(played):
        raise LookupError
    assert clock.now() == held


@pytest.mark.usefixtures("running_clock")
def test_set_to_holds_for_every_thread_and_playing_for_its_own():
    seen = []
    clock.set_to(utc("2026-01-01"))
    with clock.playing(utc("2026-02-01")):
        other = threading.Thread(target=lambda: seen.append(clock.now()))
        other.start()
        other.join()
    assert seen == [utc("2026-01-01")]


@pytest.mark.usefixtures("running_clock")
def test_a_set_clock_answers_in_utc_and_takes_no_naive_instant():
    clock.set_to(datetime(2026, 7, 1, 2, tzinfo=zoneinfo.ZoneInfo("Europe/Berlin")))
    assert clock.now() == utc("2026-07-01")
    assert clock.now().tzinfo is UTC
    with pytest.raises(ValueError, match="no offset"):
        clock.set_to(datetime(2026, 7, 1))  # noqa: DTZ001
