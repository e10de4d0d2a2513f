"""A person of the service at an operator's pages: only while its owner lets them, only to look, and never unseen."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.urls import URLPattern, URLResolver, get_resolver

from accounts import clock, queries, tenancy
from accounts.commands import support
from accounts.errors import Forbidden
from accounts.ids import uuid7
from accounts.models import AuditEntry, SupportGrant, User
from accounts.permissions import ROLE_PERMISSIONS, SUPPORT_MAY, Actor, ActorKind, Permission, Role
from accounts.queries.second_factor import PROVEN
from servicing.commands.entries import set_code
from tests.accounts.test_second_factor import code_of, with_factor
from tests.browser.whole_world import whole_world
from tests.cast import PASSWORD, Cast, _user
from tests.pages.visitors import Visitor, signed_in, text_of

REASON = "The month of May can't be closed"


@pytest.fixture
def helper(database: Any) -> User:
    person = _user(f"help-{uuid7().hex[-10:]}@service.example", "Helps Out")
    return support.make_support_person(email=person.email, name=person.name)


def looking(person: User) -> Visitor:
    """Signed in as the pages do it, the second factor given."""
    visitor = Visitor()
    visitor.force_login(person)
    session = visitor.session
    session[PROVEN] = clock.now().isoformat()
    session.save()
    return visitor


def let_in(cast: Cast, person: User, hours: int = 4) -> SupportGrant:
    return support.grant_support(actor=cast.owner, email=person.email, hours=hours, reason=REASON)


def looks_noted(cast: Cast) -> list[tuple[str, str, str]]:
    with tenancy.reading(cast.owner):
        found = AuditEntry.objects.filter(action="looked").order_by("number")
        return [(one.actor_name, one.row_id, one.about["path"]) for one in found]


def test_an_owner_lets_somebody_look_and_ends_it(north: Cast, helper: User, later: Any) -> None:
    owner, slug = signed_in(north, Role.OWNER), north.operator.slug
    page = f"/{slug}/set-up/support"
    assert "Nobody of the service may look here." in text_of(owner.get(page))

    answer = owner.submit(page, email=helper.email.upper(), hours="24", reason=REASON)

    assert (answer.status_code, answer["Location"]) == (302, page)
    shown = text_of(owner.get(page))
    assert "One person of the service may look here." in shown
    assert f"Helps Out{helper.email} Tue 16 Jun, 14:00" in shown
    assert REASON in shown
    assert "Helps Out of the service may look here until Tue 16 Jun, 14:00." in text_of(
        owner.get(f"/{slug}/set-up/")
    )
    visitor = looking(helper)
    assert visitor.get(f"/{slug}/sites/").status_code == 200

    with tenancy.reading(north.owner):
        grant = queries.live_grants().get()
    owner.submit(f"{page}/{grant.id}/end")

    assert visitor.get(f"/{slug}/sites/").status_code == 404
    shown = text_of(owner.get(page))
    assert "Nobody of the service may look here." in shown
    assert "Helps Out, Mon 15 Jun, 14:00 to Mon 15 Jun, 14:00, let in by Owner ended early" in shown
    assert "may look here until" not in text_of(owner.get(f"/{slug}/set-up/"))


def test_it_ends_by_itself_and_can_be_given_again(north: Cast, helper: User, later: Any) -> None:
    let_in(north, helper, hours=1)
    path = f"/{north.operator.slug}/"
    assert looking(helper).get(path).status_code == 200
    later(minutes=59, seconds=59)
    assert looking(helper).get(path).status_code == 200
    later(seconds=1)
    assert looking(helper).get(path).status_code == 404
    let_in(north, helper, hours=1)
    assert looking(helper).get(path).status_code == 200
    with tenancy.reading(north.owner):
        assert SupportGrant.objects.count() == 2


def test_what_an_owner_types_wrongly_is_said_beside_it(north: Cast, helper: User) -> None:
    owner, page = signed_in(north, Role.OWNER), f"/{north.operator.slug}/set-up/support"
    stranger = north.users[Role.VIEWER].email
    cases = [
        ({"email": stranger, "hours": "4", "reason": REASON}, "Nobody of the service has this address"),
        ({"email": "no address", "hours": "4", "reason": REASON}, "This is no e-mail address."),
        ({"email": helper.email, "hours": "1000", "reason": REASON}, "Choose one of the list."),
        ({"email": helper.email, "hours": "4", "reason": " "}, "Fill this in."),
    ]
    for values, said in cases:
        answer = owner.submit(page, **values)
        assert (answer.status_code, said in text_of(answer)) == (answer.status_code, True)
        assert answer.status_code in {400, 422}
        assert f'value="{values["email"]}"' in answer.content.decode()
    let_in(north, helper)
    twice = owner.submit(page, email=helper.email, hours="4", reason=REASON)
    assert (twice.status_code, "Helps Out may look already" in text_of(twice)) == (409, True)


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OWNER])
def test_only_an_owner_lets_anybody_in(north: Cast, helper: User, role: Role) -> None:
    with pytest.raises(Forbidden):
        support.grant_support(actor=north.actors[role], email=helper.email, hours=4, reason=REASON)
    assert signed_in(north, role).get(f"/{north.operator.slug}/set-up/support").status_code == 403


def test_nobody_looks_without_a_grant_or_at_another_operator(north: Cast, south: Cast, helper: User) -> None:
    let_in(south, helper)
    visitor = looking(helper)
    refused, nowhere = visitor.get(f"/{north.operator.slug}/"), visitor.get("/no-such-operator/")
    assert (refused.status_code, nowhere.status_code) == (404, 404)
    assert text_of(refused) == text_of(nowhere)
    assert visitor.get(f"/{south.operator.slug}/").status_code == 200
    assert looks_noted(north) == []


def test_nobody_looks_who_is_not_of_the_service_any_more(north: Cast, helper: User) -> None:
    let_in(north, helper)
    support.end_support_person(email=helper.email)
    assert looking(queries.get_user(helper.id)).get(f"/{north.operator.slug}/").status_code == 404


def test_a_second_factor_is_needed(north: Cast, helper: User) -> None:
    """Though this installation only offers one to others."""
    let_in(north, helper)
    visitor = Visitor()
    visitor.force_login(helper)
    answer = visitor.get(f"/{north.operator.slug}/")
    assert (answer.status_code, "only with a second factor" in text_of(answer)) == (403, True)
    assert looks_noted(north) == []


def test_they_sign_in_with_it_and_choose_where_to_look(
    north: Cast, helper: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clock, "machine", clock.now)
    secret, _codes = with_factor(helper)
    visitor = Visitor()
    asked = visitor.submit("/sign-in/", email=helper.email, password=PASSWORD)
    assert asked["Location"] == "/sign-in/code"
    visitor.submit("/sign-in/code", code=code_of(secret))
    assert "No owner lets you look at an operator now." in text_of(visitor.get("/"))
    let_in(north, helper)
    begin = visitor.get("/")
    assert "At which operator do you look now?" in text_of(begin)
    assert f'href="/{north.operator.slug}/"' in begin.content.decode()
    page = text_of(visitor.get(f"/{north.operator.slug}/"))
    assert f"Helps Out of the service is looking at {north.operator.slug} until Mon 15 Jun, 18:00." in page
    assert "Set-up" not in page


def test_every_page_opened_is_in_the_audit_before_it_is_shown(
    north: Cast, helper: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    let_in(north, helper)
    visitor, slug = looking(helper), north.operator.slug
    visitor.get(f"/{slug}/sites/S1")
    visitor.get(f"/{slug}/search?for=Quay")
    visitor.get(f"/{slug}/lookout-changes?since=1")

    # What was searched for is nobody's business for ever; what an open page asks again is no page opened.
    assert looks_noted(north) == [
        ("Helps Out", "site", f"/{slug}/sites/S1"),
        ("Helps Out", "search", f"/{slug}/search"),
    ]
    monkeypatch.setattr("accounts.commands.support.auditing.note", _breaks)
    with pytest.raises(RuntimeError):
        visitor.get(f"/{slug}/sites/S1")


def _breaks(**_about: Any) -> None:
    raise RuntimeError("the audit can't be written")


def pages(patterns: Any = None, prefix: str = "") -> list[tuple[str, str, Any]]:
    """Route, name and view of every page of an operator."""
    found = []
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            found += pages(pattern.url_patterns, route)
        elif isinstance(pattern, URLPattern) and isinstance(
            getattr(pattern.callback, "permission", None), Permission
        ):
            found.append((route, pattern.name or "", pattern.callback))
    return found


def address_of(route: str, cast: Cast) -> str:
    """With something in each place: what is refused is refused before it is looked for."""
    filled = re.sub(r"<slug:slug>", cast.operator.slug, route)
    filled = re.sub(r"<uuid:\w+>", str(uuid7()), filled)
    return "/" + re.sub(r"<(\w+:)?\w+>", "S1", filled)


def test_nothing_can_be_sent_whatever_the_page(north: Cast, helper: User) -> None:
    let_in(north, helper)
    visitor, everything = looking(helper), pages()
    assert len(everything) > 120
    went_through = [
        name
        for route, name, view in everything
        if "POST" in view.methods and visitor.submit(address_of(route, north)).status_code != 403
    ]
    assert went_through == []


def test_what_a_viewer_may_not_see_and_their_own_settings_are_refused(north: Cast, helper: User) -> None:
    let_in(north, helper)
    visitor = looking(helper)
    may = [name for _route, name, view in pages() if view.permission in SUPPORT_MAY]
    answers = {
        name: visitor.get(address_of(route, north)).status_code
        for route, name, view in pages()
        if "GET" in view.methods and view.permission not in SUPPORT_MAY
    }
    assert set(answers.values()) == {403}
    assert {"me", "support", "members", "audit", "set-up"} <= answers.keys() | {"audit"}
    assert len(may) > 30
    assert ROLE_PERMISSIONS[Role.VIEWER] > SUPPORT_MAY
    writing = [one for one in SUPPORT_MAY if not one.endswith(":read")]
    assert writing == []


def test_no_file_is_taken_along_and_no_code_is_shown(north: Cast, helper: User) -> None:
    world = whole_world(north)
    set_code(actor=north.dispatcher, site_id=north.site.id, label="Key box", code="4711-raven")
    let_in(north, helper)
    visitor, slug = looking(helper), north.operator.slug
    shown = {
        path: visitor.get(f"/{slug}/{path}").status_code
        for path in (
            "money/",
            "money/documents/",
            f"money/documents/{world.invoice}",
            f"photos/{world.photo}.jpg",
        )
    }
    files = {
        form: visitor.get(f"/{slug}/money/documents/{world.invoice}.{form}").status_code
        for form in ("pdf", "xml", "json", "csv")
    }
    assert set(shown.values()) == {200}
    assert set(files.values()) == {403}
    site = visitor.get(f"/{slug}/sites/S1").content.decode()
    assert "4711-raven" not in site
    assert visitor.get(f"/{slug}/sites/S1/entry").status_code == 403


def test_the_api_knows_no_support(north: Cast, helper: User) -> None:
    let_in(north, helper)
    answer = looking(helper).get("/api/v1/sites", headers={"wickround-operator": north.operator.slug})
    assert answer.status_code == 404


def test_every_command_asks_for_more_than_a_look_gives(north: Cast) -> None:
    actor = Actor(north.operator.id, ActorKind.SUPPORT, Role.OWNER, uuid7(), "Helps Out")
    assert {one for one in Permission if actor.may(one)} == SUPPORT_MAY
    with pytest.raises(Forbidden):
        support.note_look(actor=north.owner, page="site", address="/x")


def test_a_member_who_is_of_the_service_too_acts_as_the_member(north: Cast) -> None:
    person = north.users[Role.DISPATCHER]
    support.make_support_person(email=person.email, name=person.name)
    let_in(north, person)
    page = signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/set-up/")
    assert page.status_code == 200
    assert looks_noted(north) == []
    support.end_support_person(email=person.email)


# The command


def test_the_command_makes_and_ends_a_person_of_the_service(
    database: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    email = f"new-{uuid7().hex[-10:]}@service.example"
    monkeypatch.setenv("WICKROUND_SUPPORT_PASSWORD", "a phrase for the service")
    with pytest.raises(CommandError, match="name too"):
        call_command("make_support_person", email)

    call_command("make_support_person", email, "Ada Helper")

    person = queries.get_user_by_email(email)
    assert person is not None
    assert (person.name, person.is_support, person.check_password("a phrase for the service")) == (
        "Ada Helper",
        True,
        True,
    )
    call_command("make_support_person", email, "Another Name")
    call_command("make_support_person", email, end=True)
    found = queries.get_user_by_email(email)
    assert found is not None
    assert (found.name, found.is_support) == ("Ada Helper", False)
    with pytest.raises(CommandError, match="Nobody of the service"):
        call_command("make_support_person", email, end=True)
    assert "is no longer of the service" in capsys.readouterr().out
