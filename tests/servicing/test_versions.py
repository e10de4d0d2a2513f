"""Old payload versions stay readable, and an old phone's event sent again after a version was raised is the same event."""

from __future__ import annotations

import pytest

from servicing.events import reading
from servicing.events.types import EventType, WickChecked
from servicing.queries.events import unit_events


@pytest.fixture
def second_version(monkeypatch):
    """wick.checked in a version 2 whose conditions are the same words, for a version 1 that said them in capitals."""

    def raise_version():
        monkeypatch.setattr(WickChecked, "VERSION", 2)
        monkeypatch.setitem(
            reading.UPCASTERS,
            (EventType.WICK_CHECKED, 1),
            lambda old: {**old, "condition": old["condition"].lower()},
        )

    return raise_version


def test_an_event_sent_before_and_after_its_version_was_raised_is_a_duplicate(north, second_version):
    event = north.event("wick.checked", north.unit, condition="good")
    first = north.upload(north.installed(), event)
    second_version()

    again = north.upload(event)

    assert first[1].fate == "accepted"
    assert (again[0].fate, again[0].position) == ("duplicate", first[1].position)


def test_an_old_version_is_kept_as_it_was_said_and_read_as_the_newest(north, second_version):
    second_version()
    old = {**north.event("wick.checked", north.unit, condition="GOOD"), "schema_version": 1}
    new = {**north.event("wick.checked", north.unit, condition="GOOD"), "schema_version": 2}

    fates = north.upload(north.installed(), old, new)

    assert [fate.fate for fate in fates] == ["accepted", "accepted", "refused"]
    with north.reading():
        checked = [e for e in unit_events(north.unit.id) if e.type is EventType.WICK_CHECKED]
    assert checked[0].payload == WickChecked(condition="good")


def test_a_version_without_its_upcaster_is_refused(north, monkeypatch):
    monkeypatch.setattr(WickChecked, "VERSION", 2)

    fate = north.upload({**north.event("wick.checked", north.unit, condition="good"), "schema_version": 1})[0]

    assert (fate.fate, fate.code) == ("refused", "unknown-version")
