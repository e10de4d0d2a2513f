"""An entry put right by form: what was wrong stays to be seen, what is right counts, and a second sending adds nothing."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

from accounts.models import Operator
from accounts.permissions import Role
from servicing.queries import fleet_state
from servicing.queries.events import unit_events
from tests.cast import DAY, NOON, Cast
from tests.pages.visitors import Visitor, signed_in, text_of

WORK = NOON - timedelta(days=3, seconds=-17)


def path_of(cast: Cast, event: dict[str, Any]) -> str:
    return f"/{cast.operator.slug}/units/{cast.unit.code}/correct/{event['id']}"


def form_of(visitor: Visitor, path: str) -> dict[str, Any]:
    """What a browser would send of the form as it is shown."""
    page = visitor.get(path).content.decode().split("<main", 1)[1]
    sent = dict(
        re.findall(r'<input type="(?:hidden|datetime-local|text)" name="([^"]+)" value="([^"]*)"', page)
    )
    for name, options in re.findall(r'<select name="([^"]+)".*?>(.*?)</select>', page, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        sent[name] = chosen[1] if chosen else ""
    sent.pop("csrfmiddlewaretoken", None)
    return sent


def exchange(cast: Cast, **values: Any) -> dict[str, Any]:
    event = cast.exchanged(at=WORK, **values)
    cast.upload(cast.installed(at=NOON - 30 * DAY), event)
    return event


def left_of(cast: Cast) -> int | None:
    with cast.reading():
        return fleet_state.get_unit_view(cast.unit.id).history.left_at_exchange_ml


def test_the_corrected_entry_counts_and_the_wrong_one_stays_struck_through(north: Cast) -> None:
    event = exchange(north, cartridge_left_ml=140)
    visitor = signed_in(north, Role.DISPATCHER)
    path = path_of(north, event)
    assert "140 mL left in the cartridge" in text_of(visitor.get(path))
    answer = visitor.submit(
        path, **form_of(visitor, path) | {"cartridge_left_ml": "40", "because": "wrong_entry"}
    )
    assert answer.status_code == 302
    assert left_of(north) == 40
    page = visitor.get(f"/{north.operator.slug}/units/{north.unit.code}")
    assert re.search(r"<del>Cartridge exchanged: [^<]*140 mL left in the cartridge", page.content.decode())
    assert "40 mL left in the cartridge" in text_of(page)
    assert "An entry was undone: a wrong entry." in text_of(page)
    assert "Put right: it stands in place of the entry of Fri 12 Jun, 14:00." in text_of(page)
    # The seconds within the minute stay, so that the order among the visit's entries stays too.
    with north.reading():
        new = next(one for one in unit_events(north.unit.id) if str(one.event_id) in answer["Location"])
    assert (new.occurred_at, str(new.corrects)) == (WORK, event["id"])


def test_sending_the_form_twice_records_it_once(north: Cast) -> None:
    event = exchange(north, cartridge_left_ml=140)
    visitor = signed_in(north, Role.OWNER)
    path = path_of(north, event)
    sent = form_of(visitor, path) | {"cartridge_left_ml": "40"}
    assert [visitor.submit(path, **sent).status_code for _ in range(2)] == [302, 302]
    with north.reading():
        kinds = [str(one.type) for one in unit_events(north.unit.id)]
    assert (kinds.count("cartridge.exchanged"), kinds.count("event.countered")) == (2, 1)
    other = visitor.submit(path, **sent | {"cartridge_left_ml": "50"})
    assert other.status_code == 422
    assert "the stored one stays" in text_of(other)
    assert left_of(north) == 40


def test_nothing_changed_nothing_to_come_and_nothing_wrong_are_refused_with_what_was_typed(
    north: Cast,
) -> None:
    event = exchange(north)
    visitor = signed_in(north, Role.DISPATCHER)
    path = path_of(north, event)
    sent = form_of(visitor, path)
    assert "Nothing differs from what stands there." in text_of(visitor.submit(path, **sent))
    later = visitor.submit(path, **sent | {"happened_at": "2026-06-16T08:00", "cartridge_left_ml": "7"})
    assert "This is later than now." in text_of(later)
    assert 'value="7"' in later.content.decode()
    assert "Enter a volume from" in text_of(visitor.submit(path, **sent | {"charge_ml": "99999"}))
    lot = visitor.submit(path, **sent | {"lot": "not a lot!"})
    assert lot.status_code == 422
    assert 'id="id_lot_error"' in lot.content.decode()
    with north.reading():
        assert len(unit_events(north.unit.id)) == 2


def test_volumes_are_typed_in_fluid_ounces_where_people_do(north: Cast) -> None:
    event = exchange(north, cartridge_left_ml=140)
    _us(north)
    visitor = signed_in(north, Role.DISPATCHER)
    path = path_of(north, event)
    sent = form_of(visitor, path)
    # NIST Handbook 44, appendix C: 1 US fluid ounce is 29.5735 mL; 140 mL are 4.73 fl oz.
    assert sent["cartridge_left_ml"] == "4.73"
    assert "Nothing differs" in text_of(visitor.submit(path, **sent))
    visitor.submit(path, **sent | {"cartridge_left_ml": "1.5"})
    assert left_of(north) == 44


def _us(cast: Cast) -> None:
    from accounts import tenancy

    with tenancy.writing(cast.owner):
        Operator.objects.filter(id=cast.operator.id).update(measures="us", locale="en-US")


def test_every_kind_of_entry_that_can_be_corrected_has_its_form(north: Cast) -> None:
    events = [
        north.installed(at=NOON - 30 * DAY),
        north.event("level.read", north.unit, WORK, cartridge_left_ml=10, reservoir_ml=20),
        north.event("wick.checked", north.unit, WORK, condition="slow"),
        north.event("wick.washed", north.unit, WORK),
        north.event("wick.changed", north.unit, WORK, reason="age"),
        north.event("reservoir.cleaned", north.unit, WORK, wiped_out_ml=5),
        north.event("dose.set", north.unit, WORK, dose_ml_per_day="6.5"),
        north.event("outlet.cleared", north.unit, WORK, drips_again=True),
        north.event("leak.stopped", north.unit, WORK),
        north.event("fault.found", north.unit, WORK, mode="PLU", detection="report"),
        north.event("fault.closed", north.unit, WORK, mode="PLU", action="cleaned"),
        north.event("unit.moved", north.unit, WORK, station_id=north.stations[1].id),
        north.event("unit.withdrawn", north.unit, WORK, reason="other"),
    ]
    assert {fate.fate for fate in north.upload(*events)} == {"accepted"}
    visitor = signed_in(north, Role.DISPATCHER)
    for event in events:
        path = path_of(north, event)
        sent = form_of(visitor, path) | {"happened_at": "2026-06-11T09:30", "drips_again": "on"}
        answer = visitor.submit(path, **sent)
        assert answer.status_code == 302, (event["type"], text_of(answer)[:800])
    with north.reading():
        assert len(unit_events(north.unit.id)) == 3 * len(events)


def test_what_is_undone_or_of_another_kind_or_anothers_is_not_corrected(north: Cast, south: Cast) -> None:
    event = exchange(north)
    report = north.event("report.received", north.unit, WORK, kind="odour")
    north.upload(report, north.event("event.countered", north.unit, corrects=event["id"], reason="not_done"))
    visitor = signed_in(north, Role.DISPATCHER)
    assert "undone or replaced already" in text_of(visitor.get(path_of(north, event)))
    assert "be corrected. Undo it" in text_of(visitor.get(path_of(north, report)))
    assert signed_in(north, Role.CREW_MEMBER).get(path_of(north, event)).status_code == 403
    rival = signed_in(south, Role.OWNER)
    assert (
        rival.get(f"/{south.operator.slug}/units/{south.unit.code}/correct/{event['id']}").status_code == 404
    )
    page = text_of(visitor.get(f"/{north.operator.slug}/units/{north.unit.code}"))
    assert "Correct this entry" not in page
