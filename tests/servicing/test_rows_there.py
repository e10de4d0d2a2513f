"""What is there as rows of a file: of a unit that hung before, only what still holds of how it stood."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from unittest import mock

from servicing import log
from servicing.commands.office import counter_event
from servicing.commands.opening import Opening, record_openings
from servicing.queries import rows_there
from tests.cast import Cast

AS_OF = date(2026, 6, 1)


def opening(cast: Cast, left_ml: int) -> Any:
    said = Opening(unit_id=cast.unit.id, station_id=cast.stations[0].id, as_of=AS_OF, left_ml=left_ml)
    (fate,) = record_openings(actor=cast.dispatcher, openings=[said])
    assert fate.fate == "recorded"
    return fate.event_id


def undo(cast: Cast, event_id: Any) -> Any:
    return counter_event(actor=cast.dispatcher, event_id=event_id, reason="other")


def row(cast: Cast) -> dict[str, Any]:
    with cast.reading():
        (found,) = [one for one in rows_there.rows_there("units") if one["code"] == cast.unit.code]
    return found


def test_what_was_undone_is_not_said_of_a_unit_that_was_put_up_after(north: Cast) -> None:
    undo(north, opening(north, 120))
    north.upload(north.installed(at=datetime(2026, 6, 2, 9, tzinfo=UTC)))

    assert row(north)["station"]
    assert "as_of" not in row(north)
    assert "left_ml" not in row(north)


def test_of_two_openings_the_one_that_holds_is_said(north: Cast) -> None:
    first = opening(north, 120)
    undone = undo(north, first)
    second = opening(north, 90)
    assert row(north)["left_ml"] == 90

    undo(north, second)
    undo(north, undone)

    assert row(north)["left_ml"] == 120


def test_the_events_of_units_that_were_put_up_here_are_not_read(north: Cast, monkeypatch: Any) -> None:
    north.upload(north.installed())
    monkeypatch.setattr(log, "events_of_type", mock.Mock(side_effect=AssertionError("the log was read")))

    assert row(north)["station"]
