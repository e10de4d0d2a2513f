"""Looking back on a unit's page: what was true on a day, as we knew it on another, and what we know better now."""

from __future__ import annotations

from datetime import UTC, datetime

from accounts import clock
from accounts.permissions import Role
from servicing.commands.office import counter_event
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of


def on(month: int, day: int) -> datetime:
    return datetime(2026, month, day, 9, tzinfo=UTC)


def recorded(cast: Cast, at: datetime, *events) -> None:
    with clock.playing(at):
        cast.upload(*events)


def asked(cast: Cast, true_on: str, known_on: str, role: Role = Role.DISPATCHER) -> str:
    path = f"/{cast.operator.slug}/units/{cast.unit.code}"
    return text_of(signed_in(cast, role).get(path, {"true_on": true_on, "known_on": known_on}))


def test_what_was_true_as_we_knew_it_then_and_what_we_know_better(north: Cast) -> None:
    recorded(north, on(4, 2), north.installed(at=on(4, 2)))
    fault = north.event("fault.found", north.unit, on(5, 10), mode="PLU", detection="visit_check")
    recorded(north, on(6, 1), fault, north.exchanged(at=on(5, 10)))

    body = asked(north, "2026-05-20", "2026-05-20")

    assert "On Wed 20 May, as we knew it on Wed 20 May" in body
    assert "It was up: it dripped and had no open fault." in body
    assert "It hung at Marl Quay School, Ground floor, 1." in body
    assert "Its due day was Fri 10 Apr: it was long past." in body
    # 280 mL at 8 mL a day from 2 April on: 35 days.
    assert "By its readings it had been dry since Thu 7 May." in body
    assert "By what we know now, that day was different" in body
    assert "Its state was down; we had up." in body
    assert "What was open as a fault was outlet plugged; we had none." in body
    assert "Its due day was Wed 10 Jun; we had Fri 10 Apr." in body
    assert "Its last exchange was Sun 10 May; we had none." in body
    assert "Fault found: outlet plugged. Of Sun 10 May, 11:00, arrived Mon 1 Jun, 11:00." in body


def test_when_nothing_has_come_since_it_says_so(north: Cast) -> None:
    recorded(north, on(4, 2), north.installed(at=on(4, 2)))

    body = asked(north, "2026-04-01", "2026-06-15", Role.VIEWER)

    assert "Its label was printed, and it hung nowhere yet." in body
    assert "Nothing that has arrived since changes this." in body
    assert "By what we know now" not in body


def test_an_undoing_since_leads_to_its_entry(north: Cast) -> None:
    changed = north.event("wick.changed", north.unit, on(4, 20), reason="age")
    recorded(north, on(4, 21), north.installed(at=on(4, 2)), changed)
    undo = counter_event(actor=north.dispatcher, event_id=changed["id"], reason="not_done")
    path = f"/{north.operator.slug}/units/{north.unit.code}"

    page = signed_in(north, Role.DISPATCHER).get(path, {"true_on": "2026-04-30", "known_on": "2026-05-03"})

    assert "The day of its last new wick was Thu 2 Apr; we had Mon 20 Apr." in text_of(page)
    assert "An entry was undone: it was not done. Of Mon 15 Jun, 14:00" in text_of(page)
    assert f'<a href="#event-{undo}"' in page.content.decode()
    assert f'<li id="event-{undo}"' in page.content.decode()


def test_a_day_ahead_or_no_day_is_refused_beside_its_field(north: Cast) -> None:
    path = f"/{north.operator.slug}/units/{north.unit.code}"
    visitor = signed_in(north, Role.DISPATCHER)

    ahead = visitor.get(path, {"true_on": "2026-06-16", "known_on": "2026-06-15"})
    nothing = visitor.get(path, {"true_on": "", "known_on": "0001-01-01"})

    assert "Choose today or a day before it." in text_of(ahead)
    assert 'value="2026-06-16"' in ahead.content.decode()
    assert "Enter the day you ask about." in text_of(nothing)
    assert 'id="id_known_on_error"' in nothing.content.decode()
    assert "as we knew it on" not in text_of(ahead) + text_of(nothing)


def test_unasked_the_form_stands_folded_with_today_in_it(north: Cast) -> None:
    page = signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/units/{north.unit.code}")

    assert '<details id="looking-back"><summary>' in page.content.decode()
    assert 'name="true_on" value="2026-06-15"' in page.content.decode()
    assert "how it stood" in text_of(page)


def test_every_field_that_can_differ_is_said_in_words(north: Cast) -> None:
    recorded(
        north,
        on(6, 1),
        north.installed(at=on(4, 2)),
        north.event("unit.moved", north.unit, on(4, 3), station_id=north.stations[1].id),
        north.event("dose.set", north.unit, on(4, 4), dose_ml_per_day="6.5"),
        north.event("wick.washed", north.unit, on(4, 5)),
        north.event("wick.checked", north.unit, on(4, 6), condition="slow"),
        north.event("reservoir.cleaned", north.unit, on(4, 7), wiped_out_ml=5),
        north.event("outlet.cleared", north.unit, on(4, 8), drips_again=True),
        north.event("report.received", north.unit, on(4, 9), kind="odour"),
        north.exchanged(at=on(6, 20)),  # a clock ahead: a finding, but of a day to come
        north.event("unit.installed", north.unit, on(4, 10), station_id=north.stations[2].id,
                    cartridge_id=north.cartridge.id, charge_ml=280, wick="new"),
    )  # fmt: skip

    body = asked(north, "2026-04-30", "2026-05-30")

    for said in (
        "Its state was up; we had printed.",
        "Its site was Marl Quay School; we had none.",
        "Its place was Ground floor, 3; we had nowhere.",
        "Its band was long past; we had nothing due.",
        "Its installation was Thu 2 Apr; we had none.",
        "Its set dose was 6.5 mL a day; we had not set.",
        "The condition of its wick was slow; we had none.",
        "Its last wick wash was Sun 5 Apr; we had none.",
        "Its last reservoir cleaning was Tue 7 Apr; we had none.",
        "The last clearing of its outlet was Wed 8 Apr; we had none.",
        "What was open as a report was odour of Thu 9 Apr; we had none.",
        "What was found in its history was “It was installed while it was installed already; the later place holds.”",
        "What was in it when it was last read was 275 mL; we had not known.",
    ):
        assert said in body
