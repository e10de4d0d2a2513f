"""What the API shows, how it is narrowed, and how it is paged."""

from __future__ import annotations

from datetime import UTC, date, datetime
from uuid import uuid4

import pytest

from accounts import clock
from accounts.permissions import Role
from tests.api.callers import LISTS, phone_of, signed_in
from tests.cast import new_cast


def ids(answer, name="id"):
    assert answer.status_code == 200, answer.content
    return [row[name] for row in answer.json()["results"]]


def test_a_unit_shows_where_it_hangs_its_band_and_what_is_in_it(north, lived):
    unit = signed_in(north, Role.VIEWER).read(f"units/{north.unit.id}").json()

    assert unit["code"] == north.unit.code
    assert unit["site"] == str(north.site.id)
    assert unit["place"] == {
        "station_id": str(north.stations[0].id),
        "restroom": "Ground floor",
        "station": "1",
        "fixture": "urinal",
    }
    # The agreement is anchored on the 10th; three days of grace after 10 June end before 15 June.
    assert (unit["band"], unit["due"]["due_on"]) == ("past_grace", "2026-06-10")
    assert unit["status"] == "down"
    assert unit["history"]["open_faults"] == [{"mode": "PLU", "found_at": "2026-05-10T09:00:00.000000+00:00"}]
    # 280 mL in on 2 April, 40 left in the cartridge and 20 in the reservoir 38 days later: 220 / 38 = 5.79 mL a day of a
    # nominal 8. One reading does not settle it: the estimate lies between the two.
    outlook = unit["outlook"]
    assert 5.79 < float(outlook["dose_ml_per_day"]) < 8
    assert outlook["dry_earliest_on"] < outlook["dry_on"] < outlook["dry_latest_on"]
    assert (outlook["basis"]["n"], outlook["basis"]["n_operator"], outlook["basis"]["prior"]) == (1, 1, False)
    assert (outlook["basis"]["dose_method"], outlook["basis"]["wick_prior"]) == ("dose-1", True)


def test_fits_are_read_with_what_they_rest_on(north, lived):
    fits = signed_in(north, Role.VIEWER).read("fits").json()["results"]

    assert {fit["kind"] for fit in fits} == {"dose", "wick"}
    dose = next(fit for fit in fits if fit["kind"] == "dose")
    assert (dose["method"], dose["basis"]["readings"]) == ("dose-1", 1)
    assert dose["parameters"]["visit_sd"] > 0


def test_units_are_narrowed_by_code_site_crew_status_and_band(north, lived):
    viewer = signed_in(north, Role.VIEWER)
    spelt = north.unit.code.lower()
    first, others = str(north.unit.id), {str(unit.id) for unit in north.units[1:]}

    assert ids(viewer.read("units", code=f"{spelt[:3]}-{spelt[3:]}")) == [first]
    assert ids(viewer.read("units", site=north.site.id)) == [first]
    assert ids(viewer.read("units", crew=north.crew.id)) == [first]
    assert ids(viewer.read("units", status="down")) == [first]
    assert ids(viewer.read("units", status="up")) == []
    assert set(ids(viewer.read("units", status="printed"))) == others
    assert ids(viewer.read("units", band="past_grace")) == [first]
    assert ids(viewer.read("units", band="ahead")) == []
    assert set(ids(viewer.read("units", band="none"))) == others


@pytest.mark.parametrize(
    ("day", "band"),
    [
        ("2026-04-04", "ahead"),  # the window of the 10th opens five days before
        ("2026-04-05", "in_grace"),
        ("2026-04-13", "in_grace"),
        ("2026-04-14", "past_grace"),
        ("2026-04-27", "past_grace"),
        ("2026-04-28", "long_past"),
    ],
)
def test_the_filter_by_band_agrees_with_the_band_shown(north, day, band):
    north.upload(north.installed(at=datetime(2026, 4, 1, 8, tzinfo=UTC)))
    viewer = signed_in(north, Role.VIEWER)
    bands = ("ahead", "in_grace", "past_grace", "long_past", "standstill", "none")

    with clock.playing(datetime.combine(date.fromisoformat(day), datetime.min.time(), UTC).replace(hour=9)):
        found = {name: str(north.unit.id) in ids(viewer.read("units", band=name)) for name in bands}
        shown = viewer.read(f"units/{north.unit.id}").json()["band"]

    assert shown == band
    assert found == {name: name == band for name in bands}


def test_the_log_is_read_in_the_order_of_positions_and_from_a_position_on(north, lived):
    viewer = signed_in(north, Role.VIEWER)

    events = viewer.read("service-events").json()["results"]
    positions = [event["position"] for event in events]
    later_ones = viewer.read("service-events", after=positions[2]).json()["results"]

    assert len(events) == 7
    assert positions == sorted(positions)
    assert [event["position"] for event in later_ones] == positions[3:]
    assert events[0]["subject"] == {"kind": "unit", "id": str(north.unit.id)}
    assert events[0]["payload"]["charge_ml"] == 280


def test_the_log_is_narrowed_by_type_subject_visit_and_time(north, lived):
    viewer = signed_in(north, Role.VIEWER)

    assert len(ids(viewer.read("service-events", type="cartridge.exchanged"))) == 2
    assert len(ids(viewer.read("service-events", subject=north.unit.id))) == 3
    assert len(ids(viewer.read("service-events", visit=lived["visit_id"]))) == 2
    assert len(ids(viewer.read("service-events", occurred_before="2026-05-10T09:00:00Z"))) == 1
    assert len(ids(viewer.read("service-events", occurred_from="2026-05-10T09:00:00Z"))) == 6
    assert len(ids(viewer.read(f"units/{north.unit.id}/service-events"))) == 3
    assert ids(viewer.read(f"units/{north.units[2].id}/service-events")) == []


def test_a_countered_event_stays_and_says_by_what_it_is_undone(north, lived, later):
    office = signed_in(north, Role.DISPATCHER)
    made = str(uuid4())

    answer = office.send(f"service-events/{lived['event_id']}/counter", {"reason": "wrong_unit", "id": made})
    later(minutes=3)
    again = office.send(f"service-events/{lived['event_id']}/counter", {"reason": "wrong_unit", "id": made})

    assert (answer.status_code, answer.json()) == (201, {"id": made})
    assert (again.status_code, again.json()) == (201, {"id": made})
    assert len(ids(office.read("service-events", type="event.countered"))) == 1
    undone = office.read(f"service-events/{lived['event_id']}").json()
    assert (undone["standing"], undone["superseded_by"]) == ("superseded", made)
    assert office.read(f"units/{north.unit.id}").json()["status"] == "printed"
    restored = office.send(f"service-events/{made}/counter", {"reason": "wrong_entry"})
    assert restored.status_code == 201
    assert office.read(f"service-events/{lived['event_id']}").json()["standing"] == "effective"


def test_the_list_and_the_single_event_agree_on_the_standing(north):
    first, second = north.exchanged(), north.exchanged()
    install = north.installed(at=datetime(2026, 6, 1, 8, tzinfo=UTC))
    north.upload(install, first)
    replaced = north.exchanged(corrects=first["id"])
    rival = north.event("event.countered", north.unit, reason="other", corrects=second["id"])
    north.upload(second, replaced, rival)
    viewer = signed_in(north, Role.VIEWER)

    listed = {
        event["id"]: (event["standing"], event["superseded_by"])
        for event in viewer.read("service-events").json()["results"]
    }
    alone = {name: viewer.read("service-events", limit=1).status_code for name in listed}
    single = {
        name: (event["standing"], event["superseded_by"])
        for name in listed
        for event in [viewer.read(f"service-events/{name}").json()]
    }

    assert set(alone.values()) == {200}
    assert listed == single
    assert listed[first["id"]] == ("superseded", replaced["id"])
    assert listed[second["id"]] == ("superseded", rival["id"])
    assert listed[install["id"]] == ("effective", None)


def test_visits_are_narrowed_by_site_crew_day_and_outcome(north, lived):
    viewer, visit = signed_in(north, Role.VIEWER), [str(lived["visit_id"])]

    assert ids(viewer.read("visits", site=north.site.id, crew=north.crew.id)) == visit
    assert ids(viewer.read("visits", day_from="2026-05-10", day_to="2026-05-10")) == visit
    assert ids(viewer.read("visits", day_from="2026-05-11")) == []
    assert ids(viewer.read("visits", outcome="served")) == visit
    assert ids(viewer.read("visits", outcome="called_off")) == []
    assert viewer.read(f"visits/{lived['visit_id']}").json()["units"] == 1


def test_alerts_are_read_and_taken_note_of(north, lived):
    office = signed_in(north, Role.DISPATCHER)
    alerts = office.read("alerts", open="true", site=north.site.id, crew=north.crew.id).json()["results"]
    chosen = next(alert for alert in alerts if alert["kind"] == "past_grace")

    answer = office.send(f"alerts/{chosen['id']}/acknowledge")

    assert (answer.status_code, answer.content) == (204, b"")
    assert office.read("alerts", open="false").json()["results"] == []
    last = office.read("service-events", type="alert.acknowledged").json()["results"][-1]
    assert last["payload"] == {"kind": "past_grace", "first_day": chosen["first_day"]}
    assert last["member"] == str(north.actors[Role.DISPATCHER].id)


def test_findings_reports_and_standstills_are_read(north, lived):
    viewer = signed_in(north, Role.VIEWER)

    findings = viewer.read("findings", subject=north.units[1].id).json()["results"]
    reports = viewer.read("reports", kind="odour").json()["results"]
    standstills = viewer.read(f"sites/{north.site.id}/standstills").json()["results"]

    assert [finding["code"] for finding in findings] == ["serviced_before_installed"]
    assert [report["site"] for report in reports] == [str(north.site.id)]
    assert [(one["starts_on"], one["ends_on"], one["billing"]) for one in standstills] == [
        ("2026-08-01", None, "none")
    ]


def test_an_accounting_program_reads_the_invoice_its_lines_and_charges(north, lived):
    books = signed_in(north, Role.BOOKKEEPER)

    listed = books.read("invoices", month="2026-04-01", customer=north.customer.id).json()["results"]
    invoice = books.read(f"invoices/{lived['number']}").json()
    lines = books.read(f"invoices/{lived['number']}/lines").json()["results"]
    charges = books.read("charges", open="false").json()["results"]

    assert [row["number"] for row in listed] == [lived["number"]]
    # 45 for the installation, 30 a month for the 29 days from 2 April on: 30 x 29/30.
    assert invoice["total"] == invoice["document"]["total"] == "74.00"
    assert sorted(line["amount"] for line in lines) == ["29.00", "45.00"]
    assert sorted(charge["amount"] for charge in charges) == ["29.00", "45.00"]
    assert books.read("charges", open="true").json()["results"] == []
    assert [close["month"] for close in books.read("month-closes").json()["results"]] == ["2026-04-01"]


def test_a_month_is_closed_once(north, lived):
    books = signed_in(north, Role.BOOKKEEPER)

    closed = books.send("month-closes", {"month": "2026-05-01"})
    again = books.send("month-closes", {"month": "2026-05-01"})
    early = books.send("month-closes", {"month": "2026-06-01"})

    assert (closed.status_code, closed.json()["month"]) == (201, "2026-05-01")
    assert (again.status_code, again.json()["type"]) == (409, "/problems/conflict")
    assert (early.status_code, early.json()["type"]) == (400, "/problems/bad-input")


def test_pages_join_to_the_whole_list_without_a_gap_or_a_repeat(north, lived):
    owner = signed_in(north)
    joined, whole = {}, {}
    for path in LISTS:
        whole[path] = owner.read(path, limit=200).json()["results"]
        joined[path], cursor = [], ""
        while cursor is not None:
            page = owner.read(path, limit=1, **({"after": cursor} if cursor else {})).json()
            assert len(page["results"]) <= 1
            joined[path] += page["results"]
            cursor = page["next"]

    assert joined == whole
    assert len(whole["service-events"]) == 7


def test_a_row_added_behind_the_cursor_shifts_nothing(north):
    cast = new_cast("north", units=5)
    client = phone_of(cast)
    codes = sorted(unit.code for unit in cast.units)
    first = client.read("units", limit=2).json()
    cast.upload(cast.installed())

    rest = client.read("units", limit=200, after=first["next"]).json()

    assert [unit["code"] for unit in first["results"] + rest["results"]] == codes
    assert rest["next"] is None
