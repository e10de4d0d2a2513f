"""Who said it and what they said, taken down with a report; read by those who may; erased by the owner."""

from __future__ import annotations

import pytest

from accounts.ids import uuid7
from accounts.permissions import Role
from servicing.commands.office import receive_report
from servicing.events.types import Subject
from servicing.queries import personal
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of

WHO, SAID = "Quenby Vantongeren", "It smells beside the lift"


def take_down(cast: Cast) -> None:
    signed_in(cast, Role.DISPATCHER).submit(
        f"/{cast.operator.slug}/sites/S1/report", report=str(uuid7()), kind="odour", who=WHO, said=SAID
    )


def person_of(cast: Cast) -> str:
    with cast.reading():
        return str(personal.people()[0].person_id)


def test_the_words_of_a_report_stand_on_its_site_until_they_are_erased(north: Cast) -> None:
    site = f"/{north.operator.slug}/sites/S1"
    take_down(north)
    owner = signed_in(north, Role.OWNER)
    assert f"{WHO} said: “{SAID}”" in text_of(owner.get(site))
    assert "nothing about anybody" in text_of(owner.get(site))

    named = f"/{north.operator.slug}/set-up/people-named"
    assert "What 1 person said is kept." in text_of(owner.get(named))
    assert "Erase what this person said" in text_of(owner.get(f"{named}/{person_of(north)}"))
    for _ in range(2):
        erased = owner.submit(f"{named}/{person_of(north)}/erase")
        assert erased["Location"] == f"{named}/{person_of(north)}"

    assert "What was said was erased on Mon 15 Jun." in text_of(owner.get(site))
    gone = [text_of(owner.get(path)) for path in (site, named, f"{named}/{person_of(north)}")]
    assert [page for page in gone if WHO in page or SAID in page] == []
    assert "was erased on Mon 15 Jun" in gone[2]


def test_the_words_about_a_unit_stand_in_its_timeline(north: Cast) -> None:
    receive_report(
        actor=north.dispatcher, about=Subject.UNIT, subject_id=north.unit.id, kind="leak", who=WHO, said=SAID
    )
    unit = f"/{north.operator.slug}/units/{north.unit.code}"
    for role in (Role.OWNER, Role.DISPATCHER, Role.CREW_MEMBER):
        assert f"{WHO} said: “{SAID}”" in text_of(signed_in(north, role).get(unit))


@pytest.mark.parametrize("role", [Role.BOOKKEEPER, Role.VIEWER])
def test_whoever_bills_or_only_looks_sees_the_report_without_the_words(north: Cast, role: Role) -> None:
    take_down(north)
    page = text_of(signed_in(north, role).get(f"/{north.operator.slug}/sites/S1"))
    assert "Open reports" in page
    assert WHO not in page
    assert SAID not in page


def test_somebody_is_found_by_a_part_of_the_name(north: Cast) -> None:
    take_down(north)
    owner, named = signed_in(north, Role.OWNER), f"/{north.operator.slug}/set-up/people-named"
    assert WHO in text_of(owner.submit(named, name="VANTON"))
    other = text_of(owner.submit(named, name="Okonqvist"))
    assert WHO not in other
    assert "Nobody of this name is named in a report." in other
    assert "People named in reports" in text_of(owner.get(f"/{north.operator.slug}/set-up/"))


def test_only_an_owner_comes_to_the_people_named_and_a_rival_finds_nobody(north: Cast, south: Cast) -> None:
    take_down(north)
    person, named = person_of(north), f"/{north.operator.slug}/set-up/people-named"
    dispatcher = signed_in(north, Role.DISPATCHER)
    assert dispatcher.get(named).status_code == 403
    assert dispatcher.submit(f"{named}/{person}/erase").status_code == 403
    assert "People named" not in text_of(dispatcher.get(f"/{north.operator.slug}/set-up/"))
    rival, theirs = signed_in(south, Role.OWNER), f"/{south.operator.slug}/set-up/people-named"
    assert rival.get(f"{theirs}/{person}").status_code == 404
    assert rival.submit(f"{theirs}/{person}/erase").status_code == 404
    assert signed_in(north, Role.OWNER).get(f"{named}/{person}").status_code == 200


def test_words_that_are_too_long_are_refused_and_nothing_is_taken_down(north: Cast) -> None:
    visitor, site = signed_in(north, Role.DISPATCHER), f"/{north.operator.slug}/sites/S1"
    answer = visitor.submit(f"{site}/report", report=str(uuid7()), kind="odour", said="x" * 501)
    assert answer.status_code == 400
    assert "Write at most 500 characters; these were 501." in text_of(answer)
    assert "Open reports" not in text_of(visitor.get(site))
