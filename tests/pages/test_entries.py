"""The pages of a site's codes: set by the office, which never reads one back, and shown to the crew of the day."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from accounts import tenancy
from accounts.commands import operators
from accounts.permissions import Role
from servicing.commands.entries import MOST_SHOWINGS, show_code
from servicing.commands.planning import plan_visit
from servicing.models import EntrySecret
from servicing.queries import entries
from tests.pages.visitors import Visitor, signed_in, text_of
from tests.servicing.coded import CODE, TODAY, kept, planned


def set_up_of(cast):
    return f"/{cast.operator.slug}/set-up/sites/S1/entry"


def page_of(cast):
    return f"/{cast.operator.slug}/sites/S1/entry"


def test_the_office_sets_replaces_and_strikes_and_never_reads_back(north):
    office, page = signed_in(north, Role.DISPATCHER), set_up_of(north)
    assert "No code of Marl Quay School is kept." in text_of(office.get(page))

    answer = office.submit(page, label="Key box", code=CODE)
    assert (answer.status_code, answer["Location"]) == (302, f"{page}?done=kept")
    shown = office.get(answer["Location"])
    assert "1 code of Marl Quay School is kept." in text_of(shown)
    assert "by Dispatcher, Mon 15 Jun, 14:00 to nobody yet" in text_of(shown)
    office.submit(page, label="key box", code="Birke 21")
    again = office.get(f"{page}?label=key+box")
    assert 'value="key box"' in again.content.decode()
    strike = re.search(r'action="([^"]+/strike)"', again.content.decode())[1]
    assert office.submit(strike)["Location"] == f"{page}?done=struck"
    assert office.submit(strike)["Location"] == f"{page}?done=struck"

    after = office.get(f"{page}?done=struck")
    assert "its content is gone for good" in text_of(after)
    for one in (answer, shown, again, after):
        assert CODE not in one.content.decode()
        assert "Birke" not in one.content.decode()


def test_what_is_wrong_is_said_beside_the_field_and_what_was_typed_stays(north):
    office, page = signed_in(north, Role.DISPATCHER), set_up_of(north)

    for typed, said in (
        ({"label": "", "code": CODE}, "Fill this in."),
        ({"label": "Quarz 7731 Nord", "code": CODE}, "The code stands in what it opens"),
        ({"label": "Key box", "code": ""}, "Fill this in."),
    ):
        answer = office.submit(page, **typed)
        assert answer.status_code in {400, 422}
        assert said in text_of(answer)
        assert f'value="{typed["label"] or typed["code"]}"' in answer.content.decode()
        assert "no-store" in answer["Cache-Control"]
    with north.reading():
        assert entries.code_lines(north.site.id) == []


@pytest.mark.parametrize("role", list(Role))
def test_who_gets_to_which_page(north, role):
    row = kept(north)
    visitor = signed_in(north, role)
    manages, is_shown = role in {Role.OWNER, Role.DISPATCHER}, role in {Role.OWNER, Role.CREW_MEMBER}

    assert visitor.get(set_up_of(north)).status_code == (200 if manages else 403)
    assert visitor.submit(set_up_of(north), label="Alarm", code="Linde 4711").status_code == (
        302 if manages else 403
    )
    assert visitor.get(page_of(north)).status_code == (200 if is_shown else 403)
    assert visitor.submit(page_of(north), which=str(row.id)).status_code == 403
    assert visitor.submit(f"{set_up_of(north)}/{row.id}/strike").status_code == (302 if manages else 403)


def test_the_crew_of_the_day_presses_show_and_reads_it(north):
    row, other = kept(north), kept(north, "Alarm", "Linde 4711 West")
    planned(north)
    crew, page = signed_in(north, Role.CREW_MEMBER), page_of(north)
    before = crew.get(page)
    assert "2 codes open Marl Quay School." in text_of(before)
    assert CODE not in before.content.decode()
    assert re.findall(r'name="which" value="([^"]+)"', before.content.decode()) == [
        str(other.id),
        str(row.id),
    ]

    answer = crew.submit(page, which=str(row.id))

    assert answer.status_code == 200
    assert "Key box Quarz 7731 Nord It is noted that you were shown it." in text_of(answer)
    assert "4711" not in answer.content.decode()
    assert {"no-store", "private"} <= {one.strip() for one in answer["Cache-Control"].split(",")}
    assert CODE not in str(answer.headers)
    assert " style=" not in answer.content.decode()
    assert "<script" not in answer.content.decode().split("<main")[1]
    # It was shown once: looking at the page is no showing, nor is a HEAD.
    crew.get(page)
    crew.head(page)
    with north.reading():
        assert [(one.label, one.name) for one in entries.showings_at(north.site.id)] == [
            ("Key box", "Crew Member")
        ]
    office = signed_in(north, Role.DISPATCHER).get(set_up_of(north))
    assert "to Crew Member of Crew A, Mon 15 Jun, 14:00" in text_of(office)
    assert "Mon 15 Jun, 14:00 Crew Member Crew A Key box Mon 15 Jun" in text_of(office)


def test_on_any_other_day_the_page_says_nothing_of_what_there_is(north, later):
    row = kept(north)
    planned(north, TODAY + timedelta(days=1))
    crew, page = signed_in(north, Role.CREW_MEMBER), page_of(north)

    shown, tried = crew.get(page), crew.submit(page, which=str(row.id))

    assert (shown.status_code, tried.status_code) == (200, 403)
    for one in (shown, tried):
        assert "Your crew has no visit planned at Marl Quay School today, Mon 15 Jun." in text_of(one)
        assert "Key box" not in text_of(one)
    later(hours=11)
    assert "Key box" in text_of(signed_in(north, Role.CREW_MEMBER).get(page))


def test_another_crew_and_a_rival_are_shown_nothing(north, south):
    row = kept(north)
    other = operators.add_crew(actor=north.owner, name="Crew B")
    plan_visit(actor=north.dispatcher, site_id=north.site.id, day=TODAY, crew_id=other.id)
    crew = signed_in(north, Role.CREW_MEMBER)
    assert crew.submit(page_of(north), which=str(row.id)).status_code == 403

    theirs = kept(south)
    planned(south)
    rival = signed_in(south, Role.CREW_MEMBER)
    assert rival.submit(page_of(north), which=str(row.id)).status_code == 404
    assert rival.get(set_up_of(north)).status_code == 404
    for which in (str(row.id), "x", ""):
        answer = rival.submit(page_of(south), which=which)
        assert answer.status_code == 404
        assert CODE not in answer.content.decode()
    assert CODE in rival.submit(page_of(south), which=str(theirs.id)).content.decode()


def test_too_many_are_refused_with_a_sentence_and_a_time(north):
    row = kept(north)
    planned(north)
    for _ in range(MOST_SHOWINGS):
        show_code(actor=north.crew_phone, site_id=north.site.id, code_id=row.id)

    answer = signed_in(north, Role.CREW_MEMBER).submit(page_of(north), which=str(row.id))

    assert (answer.status_code, answer["Retry-After"]) == (429, str(10 * 3600))
    assert "Your crew was shown 30 codes today" in text_of(answer)
    assert CODE not in answer.content.decode()


def test_the_pages_lead_there_only_whom_they_concern(north):
    kept(north)
    planned(north)
    slug = north.operator.slug
    pages = (f"/{slug}/sites/S1", f"/{slug}/rounds/{north.crew.id}/2026-06-15")

    for page in pages:
        assert page_of(north) in signed_in(north, Role.CREW_MEMBER).get(page).content.decode()
        for role in (Role.DISPATCHER, Role.VIEWER, Role.OWNER):
            assert f'"{page_of(north)}"' not in signed_in(north, role).get(page).content.decode()
    assert (
        set_up_of(north) in signed_in(north, Role.DISPATCHER).get(f"/{slug}/set-up/sites/S1").content.decode()
    )
    assert set_up_of(north) in signed_in(north, Role.DISPATCHER).get(pages[0]).content.decode()


def test_no_sheet_of_a_round_holds_a_code(north):
    row = kept(north)
    planned(north)
    crew = signed_in(north, Role.CREW_MEMBER)
    crew.submit(page_of(north), which=str(row.id))

    sheet = crew.get(f"/{north.operator.slug}/rounds/{north.crew.id}/2026-06-15")

    assert "Marl Quay School" in text_of(sheet)
    assert CODE not in sheet.content.decode()


def test_the_question_who_is_there_carries_the_code_on_its_page_and_keeps_it_nowhere(north, later, superuser):
    office, page = signed_in(north, Role.DISPATCHER), set_up_of(north)
    later(minutes=25)

    asked = office.submit(page, label="Key box", code=CODE)

    assert asked.status_code == 403
    assert "no-store" in asked["Cache-Control"]
    assert CODE in asked.content.decode()
    sessions = superuser.execute("SELECT t::text FROM accounts_signin t").fetchall()
    assert CODE not in str(sessions)
    with tenancy.reading(north.owner):
        assert not EntrySecret.objects.exists()


def test_a_stranger_signs_in_first(north):
    for page in (set_up_of(north), page_of(north)):
        assert Visitor().get(page)["Location"].startswith("/sign-in/?next=")
