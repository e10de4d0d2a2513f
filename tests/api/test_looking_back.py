"""Looking back over the API: a unit's state, a site's units, and what changed between two positions."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from accounts import clock
from accounts.permissions import Role
from servicing.queries.events import head_position
from tests.api.callers import refused, signed_in
from tests.cast import Cast


def on(month: int, day: int, hour: int = 9) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


def recorded(cast: Cast, at: datetime, *events) -> int:
    with clock.playing(at):
        cast.upload(*events)
    with cast.reading():
        return head_position()


@pytest.fixture
def plugged_late(north):
    """Installed on 2 April; found plugged on 10 May, which its phone said only on 1 June. The position before that."""
    known = recorded(north, on(4, 2), north.installed(at=on(4, 2)))
    fault = north.event("fault.found", north.unit, on(5, 10), mode="PLU", detection="visit_check")
    recorded(north, on(6, 1), fault)
    return known, fault


def asked(cast: Cast, path: str, **query):
    answer = signed_in(cast, Role.VIEWER).read(path, **query)
    assert answer.status_code == 200, answer.content
    return answer.json()


def test_a_units_state_as_of_a_date_as_known_on_another(north, plugged_late):
    known, _ = plugged_late
    path = f"units/{north.unit.id}/state"

    then = asked(north, path, as_of="2026-05-20", known_on="2026-05-20")
    now = asked(north, path, as_of="2026-05-20")
    by_position = asked(north, path, as_of="2026-05-20", known_at=known)

    assert (then["status"], then["known_at"]) == ("up", known)
    assert (now["status"], now["known_at"]) == ("down", known_of_all(north))
    assert by_position == then
    # A date counts to its end, which in Berlin is 22:00 UTC in summer.
    assert then["as_of"] == "2026-05-20T21:59:59.999999Z"
    assert (then["day"], then["zone"]) == ("2026-05-20", "Europe/Berlin")
    assert (then["due"]["due_on"], then["band"]) == ("2026-04-10", "long_past")
    assert now["history"]["open_faults"] == [{"mode": "PLU", "found_at": "2026-05-10T09:00:00.000000+00:00"}]


def known_of_all(cast: Cast) -> int:
    with cast.reading():
        return head_position()


def test_an_instant_is_taken_as_it_is(north, plugged_late):
    path = f"units/{north.unit.id}/state"

    before = asked(north, path, as_of="2026-05-10T08:59:59Z")
    at = asked(north, path, as_of="2026-05-10T11:00:00+02:00")

    assert (before["status"], at["status"]) == ("up", "down")


def test_without_times_it_is_the_state_that_the_unit_shows(north, plugged_late):
    now = asked(north, f"units/{north.unit.id}/state")
    unit = asked(north, f"units/{north.unit.id}")

    assert now["as_of"] is None
    assert {name: now[name] for name in unit.keys() - {"history"}} == {
        name: unit[name] for name in unit.keys() - {"history"}
    }
    assert {name: now["history"][name] for name in unit["history"]} == unit["history"]


def test_what_changed_between_two_positions_and_why(north, plugged_late):
    known, fault = plugged_late
    path = f"units/{north.unit.id}/changes"

    found = asked(north, path, **{"from": known, "as_of": "2026-05-20"})
    nothing = asked(north, path, **{"from": known, "as_of": "2026-05-09"})
    all_of_it = asked(north, path)

    assert {one["field"]: (one["before"], one["after"]) for one in found["changes"]} == {
        "status": ("up", "down"),
        "open_faults": ({}, {"PLU": "2026-05-10T09:00:00.000000+00:00"}),
    }
    assert [(one["id"], one["standing"]) for one in found["events"]] == [(fault["id"], "effective")]
    assert (nothing["changes"], nothing["events"]) == ([], [])
    assert (all_of_it["known_before"], all_of_it["known_after"]) == (0, known_of_all(north))
    assert {"field": "status", "before": "printed", "after": "down"} in all_of_it["changes"]


def test_the_units_of_a_site_as_of_a_date(north, plugged_late):
    recorded(north, on(6, 3), north.event("unit.withdrawn", north.unit, on(6, 2), reason="site_closed"))
    path = f"sites/{north.site.id}/unit-states"

    assert [unit["code"] for unit in asked(north, path, as_of="2026-06-01")["units"]] == [north.unit.code]
    assert asked(north, path, as_of="2026-06-02")["units"] == asked(north, path)["units"] == []
    assert [one["code"] for one in asked(north, path, known_on="2026-06-01")["units"]] == [north.unit.code]


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ({"as_of": "soon"}, "/as_of"),
        ({"as_of": "2026-02-30"}, "/as_of"),
        ({"as_of": "2026-05-20T10:00:00"}, "/as_of"),
        ({"as_of": "9999-12-31"}, "/as_of"),
        ({"as_of": "0001-01-01T00:00:00+14:00"}, "/as_of"),
        ({"as_of": "2026-05-20\x00"}, "/as_of"),
        ({"known_at": "-1"}, "/known_at"),
        ({"known_at": "x"}, "/known_at"),
        ({"known_at": "1", "known_on": "2026-05-20"}, "/known_on"),
        ({"as_off": "2026-05-20"}, "/as_off"),
    ],
)
def test_what_can_not_be_understood_is_refused_with_a_pointer(north, query, pointer):
    viewer = signed_in(north, Role.VIEWER)

    assert refused(viewer.read(f"units/{north.unit.id}/state", **query), 400) == [pointer]
    assert refused(viewer.read(f"sites/{north.site.id}/unit-states", **query), 400) == [pointer]


def test_a_position_beyond_the_log_is_all_that_is_known(north, plugged_late):
    path = f"units/{north.unit.id}/state"

    assert asked(north, path, known_at=10**30) == asked(north, path)
    assert asked(north, f"units/{north.unit.id}/changes", **{"from": 10**30})["changes"] == []
