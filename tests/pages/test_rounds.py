"""The rounds on pages: what a crew does next, a day proposed and planned, and forms that keep what was typed."""

from __future__ import annotations

from datetime import date, time, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts import tenancy
from accounts.commands import customers, operators, places
from accounts.models import Member
from accounts.permissions import Role
from servicing.commands import planning
from servicing.queries import planning as plans
from tests.cast import NOON, Cast
from tests.pages.visitors import Visitor, signed_in, text_of

TODAY = NOON.date()
TOMORROW = TODAY + timedelta(days=1)


def add_site(cast: Cast, code: str, **more: Any) -> Any:
    site = {"customer_id": cast.customer.id, "code": code, "name": f"Site {code}", "kind": "office"}
    rest = {"zone": "Europe/Berlin", "crew_id": cast.crew.id, **more}
    return customers.add_sites(actor=cast.owner, sites=[{**site, **rest}])[0]


def plan(cast: Cast, site: Any = None, day: date = TODAY, **more: Any) -> Any:
    return planning.plan_visit(actor=cast.dispatcher, site_id=(site or cast.site).id, day=day, **more)


def home(cast: Cast) -> str:
    return f"/{cast.operator.slug}/rounds/"


def round_address(cast: Cast, day: date = TODAY) -> str:
    return f"{home(cast)}{cast.crew.id}/{day}"


def dispatcher(cast: Cast) -> Visitor:
    return signed_in(cast, Role.DISPATCHER)


def test_the_first_sentence_says_who_goes_where_next(north: Cast) -> None:
    second = add_site(north, "S2")
    plan(north, begins_at=time(15, 10))
    plan(north, second, begins_at=time(9))
    north.upload(
        north.event("visit.made", uuid4(), site_id=second.id, outcome="served", crew_id=north.crew.id)
    )
    said = text_of(dispatcher(north).get(home(north)))
    assert "Monday 15 June 2026. 1 of 2 planned visits are done." in said
    assert "Crew A goes to Marl Quay School next, at 15:10." in said
    assert "served at 14:00" in said


def test_an_empty_day_says_what_will_stand_there(north: Cast) -> None:
    said = text_of(dispatcher(north).get(home(north), {"day": "2026-06-20"}))
    assert "Saturday 20 June 2026. No visit is planned for this day." in said
    assert "a proposal takes the crew\N{RIGHT SINGLE QUOTATION MARK}s sites that need somebody" in said
    said = text_of(dispatcher(north).get(round_address(north)))
    assert "Crew A has no visit planned." in said
    assert "The visits of this day will stand here" in said


def test_a_day_without_visits_says_when_the_next_are(north: Cast) -> None:
    plan(north, add_site(north, "S2"), day=TODAY + timedelta(days=4), begins_at=time(7, 15))
    plan(north, day=TODAY + timedelta(days=2), begins_at=time(9, 30))
    said = text_of(dispatcher(north).get(home(north)))
    assert "No visit is planned for this day. The next are planned for Wed 17 Jun." in said
    assert "Nothing is planned. Then, on Wed 17 Jun at 09:30: Marl Quay School." in said


def test_a_day_that_is_none_is_today_or_not_there(north: Cast) -> None:
    visitor = dispatcher(north)
    assert "Monday 15 June 2026" in text_of(visitor.get(home(north), {"day": "tomorrow"}))
    assert visitor.get(f"{home(north)}{north.crew.id}/tomorrow").status_code == 404
    assert visitor.get(f"{home(north)}{uuid4()}/{TODAY}").status_code == 404
    for edge in ("0001-01-01", "9999-12-31"):
        assert visitor.get(home(north), {"day": edge}).status_code == 200
        assert visitor.get(f"{home(north)}{north.crew.id}/{edge}").status_code == 200


def test_a_crew_member_sees_their_own_crew_first(north: Cast) -> None:
    other = operators.add_crew(actor=north.owner, name="A crew before it")
    second = add_site(north, "S2")
    plan(north, second, crew_id=other.id, begins_at=time(14, 30))
    plan(north, begins_at=time(16))
    page = signed_in(north, Role.CREW_MEMBER).get(home(north))
    assert "Crew A goes to Marl Quay School next, at 16:00." in text_of(page)
    table = page.content.decode().partition("<tbody")[2]
    assert table.index("Crew A") < table.index("A crew before it")
    of_dispatcher = dispatcher(north).get(home(north))
    assert "A crew before it goes to Site S2 next, at 14:30." in text_of(of_dispatcher)


def test_a_round_says_what_to_do_why_and_how_to_get_in(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    leaking = add_site(north, "S2", address="4 Weir Lane", access="Ring at the side door.")
    north.upload(north.event("report.received", leaking, kind="leak"))
    planning.write_note(actor=north.dispatcher, site_id=leaking.id, text="Ask for the caretaker.")
    plan(north, begins_at=time(15))
    plan(north, leaking, begins_at=time(16))
    said = text_of(signed_in(north, Role.CREW_MEMBER).get(round_address(north)))
    assert "Exchange 1 cartridge. Why: 1 unit dry since Fri 5 Jun." in said
    assert "Look into the report of a leak. Why: a leak or a chemical: go there first." in said
    assert "4 Weir Lane" in said
    assert "Getting in: Ring at the side door." in said
    assert "Note: Ask for the caretaker." in said
    assert "never bring acid near bleach" in said
    assert "Change: Marl Quay School" not in said


@pytest.mark.parametrize(
    ("role", "reads"), [(Role.CREW_MEMBER, True), (Role.BOOKKEEPER, False), (Role.VIEWER, False)]
)
def test_how_to_get_in_is_for_those_who_go_there(north: Cast, role: Role, reads: bool) -> None:
    places.change_site(actor=north.owner, site_id=north.site.id, access="The side door by the yard")
    plan(north)
    visitor = signed_in(north, role)
    for page in (round_address(north), f"/{north.operator.slug}/sites/S1"):
        assert ("The side door by the yard" in text_of(visitor.get(page))) is reads


def test_a_proposal_is_shown_before_it_is_planned_and_what_does_not_fit_is_named(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    ticked, other = add_site(north, "S2"), add_site(north, "S3")
    for site in (ticked, other):
        north.upload(north.event("report.received", site, kind="odour"))
    # It took 8 hours and 20 minutes the last time.
    north.upload(
        north.event(
            "visit.made", uuid4(), NOON - timedelta(days=9), site_id=other.id, outcome="served", minutes=500
        )
    )
    visitor, address = dispatcher(north), round_address(north, TOMORROW)
    assert "3 sites of Crew A need somebody and are on no round" in text_of(visitor.get(address))
    said = text_of(visitor.get(address, {"propose": "1"}))
    # 14 minutes at the school's one unit, 15 on a road of unknown length, 10 at a site without units.
    assert "2 visits fit; the last one ends at about 08:39." in said
    assert "with 40.0 km an hour on the road" in said
    assert "These sites need somebody and do not fit:Site S3: 1 open report" in said
    with north.reading():
        assert plans.round_of(north.crew.id, TOMORROW).visits == []
    answer = visitor.submit(f"{address}/plan", ticked="1", site=[str(ticked.id)])
    assert answer["Location"] == address
    with north.reading():
        found = plans.round_of(north.crew.id, TOMORROW).visits
    assert [(one.site.code, one.planned.begins_at) for one in found] == [("S2", time(8))]


def test_nothing_ticked_plans_nothing(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    visitor, address = dispatcher(north), round_address(north, TOMORROW)
    visitor.submit(f"{address}/plan", ticked="1")
    with north.reading():
        assert plans.round_of(north.crew.id, TOMORROW).visits == []
    visitor.submit(f"{address}/plan")
    with north.reading():
        assert len(plans.round_of(north.crew.id, TOMORROW).visits) == 1


def test_a_site_is_added_by_a_part_of_its_name(north: Cast) -> None:
    visitor, address = dispatcher(north), f"{home(north)}plan"
    form = {"day": str(TOMORROW), "crew": str(north.crew.id), "begins_at": "09:15", "visit": str(uuid4())}
    answer = visitor.submit(address, site="marl quay", **form)
    assert answer["Location"] == round_address(north, TOMORROW)
    assert visitor.submit(address, site="marl quay", **form).status_code == 302
    with north.reading():
        found = plans.planned_of(north.site.id)
    assert [(one.day, one.begins_at) for one in found] == [(TOMORROW, time(9, 15))]


def test_a_refused_plan_comes_back_with_what_was_typed(north: Cast) -> None:
    add_site(north, "S2", name="Marl Quay Mill")
    visitor, address = dispatcher(north), f"{home(north)}plan"
    form = {"day": str(TOMORROW), "begins_at": "09:15", "next": round_address(north, TOMORROW)}
    unclear = visitor.submit(address, site="Marl", **form)
    assert unclear.status_code == 422
    assert "Several sites may be meant: Marl Quay School (S1), Marl Quay Mill (S2)" in text_of(unclear)
    assert 'value="09:15"' in unclear.content.decode()
    assert f'name="next" value="{round_address(north, TOMORROW)}"' in unclear.content.decode()
    past = visitor.submit(address, site="S1", day="2026-06-14")
    assert past.status_code == 400
    assert "This day has passed. Choose today or later." in text_of(past)
    wrong = visitor.submit(address, site="", day="soon", begins_at="half past", crew="nobody", minutes="0")
    said = text_of(wrong)
    for words in (
        "Enter the site's name",
        "Enter a day",
        "Enter a time",
        "Choose one of the crews",
        "from 1 to 1440",
    ):
        assert words in said
    plan(north, day=TOMORROW)
    twice = visitor.submit(address, site="S1", **form)
    assert twice.status_code == 409
    assert "A visit of Marl Quay School on Tue 16 Jun is planned already." in text_of(twice)


def test_a_visit_is_moved_made_later_called_off_and_taken_off(north: Cast) -> None:
    second = add_site(north, "S2")
    first = plan(north, day=TOMORROW, begins_at=time(8), minutes=20)
    plan(north, second, day=TOMORROW, begins_at=time(9))
    visitor, visits = dispatcher(north), f"{home(north)}visits/"
    here = round_address(north, TOMORROW)
    assert visitor.submit(f"{visits}{first.id}/shift", to="later")["Location"] == here
    with north.reading():
        assert [one.site.code for one in plans.round_of(north.crew.id, TOMORROW).visits] == ["S2", "S1"]
    moved = visitor.submit(
        f"{visits}{first.id}/move", day="2026-06-18", crew=str(north.crew.id), begins_at=""
    )
    assert moved["Location"] == round_address(north, date(2026, 6, 18))
    said = text_of(visitor.get(round_address(north, date(2026, 6, 18))))
    assert "moved from Tue 16 Jun" in said
    assert "Crew A goes to Marl Quay School first; no time is set. 1 visit is planned." in said
    off = visitor.submit(f"{visits}{first.id}/call-off", reason="customer", next=home(north))
    assert off["Location"] == home(north)
    again = visitor.submit(f"{visits}{first.id}/call-off", reason="customer")
    assert again.status_code == 409
    assert "called off already" in text_of(again)
    assert "called off" in text_of(visitor.get(round_address(north, date(2026, 6, 18))))
    third = plan(north, day=TODAY)
    visitor.submit(f"{visits}{third.id}/take-off")
    with north.reading():
        assert plans.planned_of(north.site.id) == []


def test_a_move_to_a_day_that_has_passed_is_refused_beside_the_day(north: Cast) -> None:
    made = plan(north, day=TOMORROW)
    page = dispatcher(north).submit(
        f"{home(north)}visits/{made.id}/move", day="2026-06-01", crew="", begins_at="10:00"
    )
    assert page.status_code == 400
    body = page.content.decode()
    assert 'id="id_day_error"' in body
    assert 'value="2026-06-01"' in body
    assert 'value="10:00"' in body


@pytest.mark.parametrize(
    "elsewhere", ["https://elsewhere.example/", "//elsewhere.example", "/another-operator/"]
)
def test_a_form_goes_on_to_a_page_of_this_operator_only(north: Cast, elsewhere: str) -> None:
    made = plan(north, day=TOMORROW)
    answer = dispatcher(north).submit(f"{home(north)}visits/{made.id}/shift", to="later", next=elsewhere)
    assert answer["Location"] == round_address(north, TOMORROW)


def test_notes_are_written_and_struck(north: Cast) -> None:
    visitor, slug = dispatcher(north), north.operator.slug
    address = f"/{slug}/sites/S1/write-note"
    assert visitor.get(address).status_code == 200
    assert visitor.submit(address, text="", next=home(north)).status_code == 422
    assert visitor.submit(address, text="Ask for the caretaker.", next=home(north))["Location"] == home(north)
    with north.reading():
        (note,) = plans.notes_of([north.site.id])[north.site.id]
    assert visitor.submit(f"/{slug}/notes/{note.id}/strike")["Location"] == f"/{slug}/sites/S1"
    with north.reading():
        assert plans.notes_of([north.site.id]) == {}


@pytest.mark.parametrize("role", [Role.CREW_MEMBER, Role.VIEWER, Role.BOOKKEEPER])
def test_others_read_the_rounds_and_change_nothing(north: Cast, role: Role) -> None:
    made = plan(north, day=TOMORROW)
    visitor = signed_in(north, role)
    page = visitor.get(round_address(north, TOMORROW), {"propose": "1"})
    assert page.status_code == 200
    assert '<form method="post"' not in page.content.decode().partition("<main")[2]
    for what in ("move", "call-off", "take-off", "shift"):
        assert visitor.submit(f"{home(north)}visits/{made.id}/{what}").status_code == 403
    assert visitor.submit(f"{round_address(north, TOMORROW)}/plan").status_code == 403
    assert visitor.submit(f"/{north.operator.slug}/sites/S1/write-note", text="x").status_code == 403


def test_a_rival_s_visit_is_not_there(north: Cast, south: Cast) -> None:
    made = plan(south, day=TOMORROW)
    visitor = dispatcher(north)
    assert visitor.get(f"{home(north)}visits/{made.id}/move").status_code == 404
    assert visitor.get(f"{home(north)}{south.crew.id}/{TODAY}").status_code == 404


def test_the_pages_read_in_german_for_who_reads_german(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    plan(north, begins_at=time(15, 10))
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.dispatcher.id).update(locale="de-DE")
    visitor = dispatcher(north)
    said = text_of(visitor.get(round_address(north)))
    assert "Montag, 15. Juni 2026. Crew A fährt als Nächstes um 15:10 zu Marl Quay School." in said
    assert "1 Kartusche tauschen. Warum: 1 Gerät trocken seit Fr. 5. Juni." in said
    page = visitor.submit(f"{home(north)}plan", site="S1", day="2026-06-01")
    assert "Dieser Tag ist vorbei. Wählen Sie heute oder später." in text_of(page)


def test_the_number_of_queries_does_not_grow_with_the_visits(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    visitor = dispatcher(north)
    plan(north)
    plan(north, add_site(north, "S2"))
    pages = (round_address(north), home(north), f"{round_address(north, TOMORROW)}?propose=1")
    north.upload(north.event("report.received", add_site(north, "S3"), kind="odour"))
    for page in pages:
        visitor.get(page)
    with_few = [len(queries_of(visitor, page)) for page in pages]
    sites = [add_site(north, f"S{number}") for number in range(4, 34)]
    north.upload(*(north.event("report.received", site, kind="odour") for site in sites))
    day_of_many = [{"site_id": site.id, "day": TODAY} for site in sites[:20]]
    planning.plan_visits(actor=north.dispatcher, visits=day_of_many)
    with_many = [queries_of(visitor, page) for page in pages]
    assert [len(one) for one in with_many] == with_few, with_many


def queries_of(visitor: Visitor, page: str) -> list[str]:
    with CaptureQueriesContext(connection) as asked:
        assert visitor.get(page).status_code == 200
    return [query["sql"][:100] for query in asked]
