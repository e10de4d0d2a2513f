"""What is known of a unit that hung before, taken down by form, and told on its page."""

from __future__ import annotations

import re
from typing import Any

import pytest

from accounts.permissions import Role
from servicing.queries import fleet_state
from servicing.queries.events import unit_events
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of


def path_of(cast: Cast, rest: str = "/opening?site=S1") -> str:
    return f"/{cast.operator.slug}/units/{cast.unit.code}{rest}"


def form_of(visitor: Visitor, cast: Cast, **said: Any) -> dict[str, Any]:
    """What a browser would send of the form as it is shown."""
    page = visitor.get(path_of(cast)).content.decode()
    work = re.search(r'name="work" value="([^"]+)"', page)
    day = re.search(r'name="as_of" value="([^"]+)"', page)
    assert work
    assert day
    blank = dict.fromkeys(
        ("installed_on", "last_exchange_on", "left_ml", "wick_fitted_on", "wick_condition"), ""
    )
    blank |= dict.fromkeys(("reservoir_cleaned_on", "dose", "cartridge"), "")
    return {"work": work[1], "as_of": day[1], "station": str(cast.stations[0].id), **blank, **said}


def history_of(cast: Cast) -> Any:
    with cast.reading():
        return fleet_state.get_unit_view(cast.unit.id).history


@pytest.fixture
def visitor(north: Cast) -> Visitor:
    return signed_in(north, Role.DISPATCHER)


def test_what_is_known_is_recorded_and_what_is_not_is_said_to_be_unknown(
    north: Cast, visitor: Visitor
) -> None:
    assert "It hung before you began here" in text_of(visitor.get(path_of(north, "")))
    sent = form_of(
        visitor, north, last_exchange_on="2026-06-12", cartridge=str(north.cartridge.id), left_ml="190"
    )

    answer = visitor.submit(path_of(north), **sent)

    assert answer["Location"] == path_of(north, "")
    history = history_of(north)
    assert (history.level_ml, history.charge_ml, history.wick_since) == (190, 280, None)
    page = text_of(visitor.get(path_of(north, "")))
    assert "It hung already when it was entered here on Mon 15 Jun; when it was put up is not known." in page
    assert "The age of its wick is not known (it was fitted before Mon 15 Jun): at least 0 days." in page
    assert "Opening state of Mon 15 Jun: it hung at Ground floor, 1; last exchange on Fri 12 Jun" in page
    assert "It hung before you began here" not in page


def test_sent_twice_it_is_recorded_once(north: Cast, visitor: Visitor) -> None:
    sent = form_of(visitor, north)

    answers = [visitor.submit(path_of(north), **sent) for _ in range(2)]

    assert [answer.status_code for answer in answers] == [302, 302]
    with north.reading():
        assert [str(one.type) for one in unit_events(north.unit.id)] == ["unit.opened"]


def test_what_contradicts_itself_stays_typed_with_the_reason_beside_it(north: Cast, visitor: Visitor) -> None:
    sent = form_of(visitor, north, installed_on="2026-06-01", last_exchange_on="2026-05-01", left_ml="190")

    answer = visitor.submit(path_of(north), **sent)

    assert answer.status_code == 422
    page = answer.content.decode()
    assert 'value="2026-05-01"' in page
    assert 'value="190"' in page
    assert "This day lies before the one on which the unit was put up." in text_of(answer)
    assert history_of(north).ever_installed is False


def test_a_site_that_is_not_there_is_said_and_one_without_room_leads_to_its_rooms(
    north: Cast, visitor: Visitor
) -> None:
    absent = visitor.get(path_of(north, "/opening?site=nowhere"))
    assert absent.status_code == 422
    assert "There is no site of this code or name." in text_of(absent)

    north.upload(*(north.installed(unit, station=n) for n, unit in enumerate(north.units)))
    full = visitor.get(path_of(north))
    assert "has a history here already" in text_of(full)


def test_who_does_not_manage_the_fleet_sees_no_such_form(north: Cast) -> None:
    crew = signed_in(north, Role.CREW_MEMBER)

    assert crew.get(path_of(north)).status_code == 403
    assert "It hung before you began here" not in text_of(crew.get(path_of(north, "")))


def test_it_is_corrected_on_the_units_page_with_its_day_following_its_time(
    north: Cast, visitor: Visitor
) -> None:
    visitor.submit(path_of(north), **form_of(visitor, north, last_exchange_on="2026-05-09"))
    with north.reading():
        (event,) = unit_events(north.unit.id)
    address = path_of(north, f"/correct/{event.event_id}")
    page = visitor.get(address).content.decode()
    sent = dict(re.findall(r'<input type="(?:hidden|datetime-local)" name="([^"]+)" value="([^"]+)"', page))
    sent.pop("csrfmiddlewaretoken", None)
    assert 'value="2026-05-09"' in page
    values = {
        "station_id": str(north.stations[1].id),
        "last_exchange_on": "2026-06-10",
        "wick_condition": "slow",
        "because": "wrong_entry",
        **sent,
        "happened_at": "2026-06-14T03:00",
    }

    answer = visitor.submit(address, **values)

    assert answer.status_code == 302, text_of(answer)
    history = history_of(north)
    assert (history.station_id, history.wick_condition) == (str(north.stations[1].id), "slow")
    assert history.opened_at == "2026-06-14T01:00:00.000000+00:00"
    assert history.last_exchange_at == "2026-06-10T01:00:00.000000+00:00"
    assert history.findings == []


def test_a_visit_to_a_unit_of_unknown_cartridge_asks_which_one_went_in(north: Cast, visitor: Visitor) -> None:
    visitor.submit(path_of(north), **form_of(visitor, north))
    address = f"/{north.operator.slug}/sites/S1/visit"
    page = visitor.get(address).content.decode()
    sent = dict(re.findall(r'<input type="(?:hidden|datetime-local)" name="([^"]+)" value="([^"]+)"', page))
    sent.pop("csrfmiddlewaretoken", None)
    sent |= {f"{north.unit.code}-done": "exchanged", f"{north.unit.code}-wick": "good", "crew": ""}

    asked = visitor.submit(address, **sent)
    assert asked.status_code == 422
    assert f"Which cartridge hangs in unit {north.unit.code} is not known." in text_of(asked)

    assert visitor.submit(address, **sent, cartridge=str(north.cartridge.id)).status_code == 302
    assert history_of(north).cartridge_id == str(north.cartridge.id)
