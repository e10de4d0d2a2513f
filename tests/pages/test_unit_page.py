"""All that is known of one unit, and undoing an entry."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

from accounts.permissions import Role
from servicing.commands.sweeps import sweep
from servicing.queries.events import unit_events
from servicing.queries.fleet_state import open_alerts
from tests.cast import NOON, Cast
from tests.pages.visitors import Visitor, signed_in, text_of


def unit_path(cast: Cast) -> str:
    return f"/{cast.operator.slug}/units/{cast.unit.code}"


def test_the_page_says_how_it_stands_when_it_is_due_and_when_dry(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=30)))
    body = text_of(signed_in(north, Role.DISPATCHER).get(unit_path(north)))
    # Installed 16 May with 280 mL at 8 mL a day: dry 35 days later; due on the 10th of the next month.
    assert "It is up: it drips and has no open fault." in body
    assert "It was due on Wed 10 Jun: it is past grace." in body
    assert "By its readings it runs dry on Sat 20 Jun, in 5 days." in body
    assert "Its wick is 30 days old." in body


def test_the_picture_says_its_numbers_in_words(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=30)))
    page = signed_in(north, Role.DISPATCHER).get(unit_path(north)).content.decode()
    assert '<desc id="depletion-desc">280 mL on Sat 16 May, falling to nothing on Sat 20 Jun' in page
    assert "so about 40 mL are left today" in page


def test_an_undone_entry_stays_struck_through_with_what_undid_it(north: Cast) -> None:
    at = NOON - timedelta(days=3)
    changed = north.event("wick.changed", north.unit, at, reason="age")
    north.upload(north.installed(at=NOON - timedelta(days=30)), changed)
    visitor = signed_in(north, Role.DISPATCHER)
    assert "Its wick is 3 days old." in text_of(visitor.get(unit_path(north)))
    undo = f"{unit_path(north)}/undo/{changed['id']}"
    answer = visitor.submit(undo, reason="wrong_unit")
    assert answer["Location"] == f"{unit_path(north)}#event-{changed['id']}"
    visitor.submit(undo, reason="wrong_unit")
    page = visitor.get(unit_path(north))
    assert "<del>Wick changed: age.</del>" in page.content.decode()
    assert "An entry was undone: it was another unit." in text_of(page)
    assert "Its wick is 30 days old." in text_of(page)
    with north.reading():
        events = unit_events(north.unit.id)
    assert [str(event.type) for event in events].count("event.countered") == 1


def test_an_undo_without_a_reason_of_the_list_is_refused_in_words(north: Cast) -> None:
    installed = north.installed()
    north.upload(installed)
    answer = signed_in(north, Role.DISPATCHER).submit(
        f"{unit_path(north)}/undo/{installed['id']}", reason="because"
    )
    assert answer.status_code == 400
    assert "one of wrong_unit, wrong_entry, not_done, other" in text_of(answer)


def test_a_crew_member_may_not_undo(north: Cast) -> None:
    installed = north.installed()
    north.upload(installed)
    visitor = signed_in(north, Role.CREW_MEMBER)
    assert "Undo this entry" not in text_of(visitor.get(unit_path(north)))
    answer = visitor.submit(f"{unit_path(north)}/undo/{installed['id']}", reason="other")
    assert answer.status_code == 403


def test_an_event_from_a_fast_clock_waits_and_says_so(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=30)))
    north.upload(north.exchanged(at=NOON + timedelta(hours=2)))
    body = text_of(signed_in(north, Role.DISPATCHER).get(unit_path(north)))
    assert "Waiting: its device's clock was ahead" in body
    assert "Finding: An event waits" in body


def test_a_late_event_says_when_it_arrived(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=2)))
    body = text_of(signed_in(north, Role.DISPATCHER).get(unit_path(north)))
    assert "Arrived Mon 15 Jun, 14:00." in body


def test_taking_note_of_an_alert_is_seen_by_the_others(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    sweep(actor=north.dispatcher)
    visitor = signed_in(north, Role.DISPATCHER)
    assert "Take note" in text_of(visitor.get(unit_path(north)))
    visitor.submit(f"/{north.operator.slug}/sites/S1/note")
    body = text_of(signed_in(north, Role.VIEWER).get(unit_path(north)))
    assert "note taken Mon 15 Jun, 14:00" in body
    assert "Note was taken of all of them." in text_of(visitor.get(f"/{north.operator.slug}/"))


def test_one_alert_is_noted_from_its_units_page_and_a_rivals_is_out_of_reach(
    north: Cast, south: Cast
) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    sweep(actor=north.dispatcher)
    with north.reading():
        alert = open_alerts().filter(kind="dry_soon").get()
    path = f"alerts/{alert.id}/note"
    rival = signed_in(south, Role.OWNER).submit(f"/{south.operator.slug}/{path}")
    assert rival.status_code == 404
    visitor = signed_in(north, Role.DISPATCHER)
    assert visitor.submit(f"/{north.operator.slug}/{path}")["Location"] == unit_path(north)
    with north.reading():
        noted = {one.kind: one.acknowledged_at for one in open_alerts()}
    assert noted == {"dry_soon": NOON, "past_grace": None}


def test_a_scanned_label_leads_to_its_unit_in_either_case(north: Cast, south: Cast) -> None:
    code = north.unit.code
    visitor = signed_in(north, Role.CREW_MEMBER)
    assert visitor.get(f"/U/{code}")["Location"] == unit_path(north)
    assert visitor.get(f"/u/{code.lower()}")["Location"] == unit_path(north)
    assert signed_in(south, Role.OWNER).get(f"/U/{code}").status_code == 404
    assert Visitor().get(f"/U/{code}")["Location"] == f"/sign-in/?next=/U/{code}"


def test_part_of_a_label_finds_its_unit(north: Cast) -> None:
    visitor = signed_in(north, Role.VIEWER)
    typed = f"{north.unit.code[:4].lower()} {north.unit.code[4:].lower()}"
    assert visitor.get(f"/{north.operator.slug}/units/", {"label": typed})["Location"] == unit_path(north)
    nothing = text_of(visitor.get(f"/{north.operator.slug}/units/", {"label": "OOO"}))
    assert "No label holds these characters." in nothing


def test_a_rival_unit_gets_404(north: Cast, south: Cast) -> None:
    visitor = signed_in(south, Role.OWNER)
    assert visitor.get(f"/{south.operator.slug}/units/{north.unit.code}").status_code == 404
    assert visitor.submit(f"/{south.operator.slug}/units/X/undo/{uuid4()}", reason="other").status_code == 404
