"""A visit written down by form, unit by unit."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

from accounts.permissions import Role
from servicing.queries import fleet_state
from servicing.queries.events import unit_events
from tests.cast import NOON, Cast
from tests.pages.visitors import Visitor, signed_in, text_of


def visit_path(cast: Cast) -> str:
    return f"/{cast.operator.slug}/sites/S1/visit"


def form_of(visitor: Visitor, cast: Cast) -> dict[str, Any]:
    """What a browser would send of the form as it is shown."""
    page = visitor.get(visit_path(cast)).content.decode()
    sent = dict(re.findall(r'<input type="(?:hidden|datetime-local)" name="([^"]+)" value="([^"]+)"', page))
    assert {"visit", "arrived_at"} <= sent.keys()
    for unit in cast.units:
        sent |= {f"{unit.code}-done": "exchanged", f"{unit.code}-wick": "good"}
    sent.pop("csrfmiddlewaretoken")
    return sent | {"crew": str(cast.crew.id)}


def installed(cast: Cast) -> None:
    at = NOON - timedelta(days=30)
    cast.upload(*(cast.installed(unit, at, station=n) for n, unit in enumerate(cast.units)))


def types(cast: Cast, number: int = 0) -> list[str]:
    with cast.reading():
        return [str(event.type) for event in unit_events(cast.units[number].id)]


def test_the_usual_visit_is_recorded_with_its_defaults(north: Cast) -> None:
    installed(north)
    visitor = signed_in(north, Role.CREW_MEMBER)
    sent = form_of(visitor, north) | {f"{north.unit.code}-left_ml": "40", f"{north.unit.code}-before_ml": "0"}
    answer = visitor.submit(visit_path(north), **sent)
    assert answer["Location"] == f"/{north.operator.slug}/sites/S1"
    assert types(north) == ["unit.installed", "wick.checked", "cartridge.exchanged"]
    with north.reading():
        visit = fleet_state.visits().get()
        view = fleet_state.get_unit_view(north.unit.id)
    assert (visit.outcome, visit.units, visit.crew_id) == ("served", 3, north.crew.id)
    assert (view.history.left_at_exchange_ml, view.band) == (40, "ahead")


def test_sending_the_form_twice_records_it_once(north: Cast) -> None:
    installed(north)
    visitor = signed_in(north, Role.DISPATCHER)
    sent = form_of(visitor, north)
    first = visitor.submit(visit_path(north), **sent)
    second = visitor.submit(visit_path(north), **sent)
    assert (first.status_code, second.status_code) == (302, 302)
    assert types(north).count("cartridge.exchanged") == 1
    with north.reading():
        assert fleet_state.visits().count() == 1


def test_sending_it_again_with_other_values_changes_nothing_and_says_so(north: Cast) -> None:
    installed(north)
    visitor = signed_in(north, Role.DISPATCHER)
    sent = form_of(visitor, north)
    visitor.submit(visit_path(north), **sent)
    answer = visitor.submit(visit_path(north), **sent, **{f"{north.unit.code}-left_ml": "77"})
    assert answer.status_code == 400
    assert "An event with this id and other content is stored already; the stored one stays." in text_of(
        answer
    )
    assert 'value="77"' in answer.content.decode()


def test_a_unit_not_reached_makes_the_visit_part_served(north: Cast) -> None:
    installed(north)
    visitor = signed_in(north, Role.CREW_MEMBER)
    visitor.submit(visit_path(north), **form_of(visitor, north) | {f"{north.unit.code}-done": "missed"})
    assert types(north) == ["unit.installed"]
    with north.reading():
        visit = fleet_state.visits().get()
    assert (visit.outcome, visit.units) == ("part_served", 2)


def test_faults_washing_and_wiping_become_events_in_the_order_of_the_work(north: Cast) -> None:
    installed(north)
    code = north.unit.code
    visitor = signed_in(north, Role.CREW_MEMBER)
    sent = form_of(visitor, north) | {
        f"{code}-wick": "changed",
        f"{code}-is_wiped": "on",
        f"{code}-wiped_ml": "15",
        f"{code}-faults": ["PLU", "TMP"],
    }
    visitor.submit(visit_path(north), **sent)
    assert types(north)[1:] == [
        "fault.found",
        "fault.found",
        "reservoir.cleaned",
        "cartridge.exchanged",
        "wick.changed",
    ]
    with north.reading():
        view = fleet_state.get_unit_view(north.unit.id)
    assert (view.status, set(view.history.open_faults)) == ("down", {"PLU", "TMP"})


def test_open_faults_can_be_put_right_at_the_next_visit(north: Cast) -> None:
    installed(north)
    at = NOON - timedelta(days=1)
    north.upload(
        *(north.event("fault.found", north.unit, at, mode=m, detection="report") for m in ("PLU", "ELU"))
    )
    visitor = signed_in(north, Role.CREW_MEMBER)
    sent = form_of(visitor, north) | {f"{north.unit.code}-closed": ["PLU", "ELU"]}
    visitor.submit(visit_path(north), **sent)
    with north.reading():
        assert fleet_state.get_unit_view(north.unit.id).status == "up"


def test_a_crew_that_was_not_admitted_records_only_that(north: Cast) -> None:
    installed(north)
    visitor = signed_in(north, Role.CREW_MEMBER)
    visitor.submit(visit_path(north), **form_of(visitor, north) | {"reason": "closed"})
    assert types(north) == ["unit.installed"]
    page = text_of(visitor.get(f"/{north.operator.slug}/sites/S1"))
    assert "not admitted: the site was closed" in page
    lookout = text_of(visitor.get(f"/{north.operator.slug}/"))
    assert "the crew was not admitted on Mon 15 Jun" in lookout


def test_a_slip_keeps_what_was_typed_and_says_what_to_do(north: Cast) -> None:
    installed(north)
    code = north.unit.code
    visitor = signed_in(north, Role.CREW_MEMBER)
    sent = form_of(visitor, north) | {
        "arrived_at": "2026-06-16T08:00",
        f"{code}-left_ml": "999999",
        f"{code}-after_ml": "33",
    }
    answer = visitor.submit(visit_path(north), **sent)
    assert answer.status_code == 422
    assert "Nothing was recorded yet: 2 parts of this page need another look." in text_of(answer)
    assert "This is later than now. Enter when the crew arrived." in text_of(answer)
    assert 'value="33"' in answer.content.decode()
    assert types(north) == ["unit.installed"]


def test_the_form_shows_the_usual_caution(north: Cast) -> None:
    installed(north)
    body = text_of(signed_in(north, Role.CREW_MEMBER).get(visit_path(north)))
    assert "Gloves and eye protection at every unit." in body
    assert "never bring it near bleach, which gives off chlorine gas" in body
    assert "The safety data sheet and the label of the actual liquid rule." in body
