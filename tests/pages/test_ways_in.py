"""Ways to a session other than the sign-in page, and who is kept out of their own: seen by who wants in."""

from __future__ import annotations

import logging
from typing import Any

import pytest
from django.core import mail
from django.test import Client

from accounts.commands import forgotten, operators, second_factor, throttling
from accounts.errors import BadInput
from accounts.ids import uuid7
from accounts.models import KnownDevice, ResetAsked, SignIn, User
from accounts.permissions import Role
from accounts.sessions import SessionStore
from tests.cast import PASSWORD, Cast
from tests.pages.browsers import From, email_of, home_of, signed_in_anew
from tests.pages.visitors import text_of

ANOTHER = "nine lanterns by the canal"


def person_of(cast: Cast, role: Role = Role.VIEWER) -> User:
    return User.objects.get(id=cast.users[role].id)


def reset(visitor: From, person: User) -> Any:
    """Open the mailed link and choose."""
    page = visitor.get(forgotten.path_of(person))["Location"]
    return visitor.submit(page, password=ANOTHER, again=ANOTHER)


def test_who_is_signed_in_here_and_opens_the_mailed_link_gets_a_new_password(north: Cast) -> None:
    visitor = signed_in_anew(north, Role.VIEWER)
    done = reset(visitor, person_of(north))
    assert (done.status_code, done["Location"]) == (302, "/sign-in/new-password")
    assert "You have a new password." in text_of(visitor.get(done["Location"]))
    assert person_of(north).check_password(ANOTHER)
    assert visitor.get(home_of(north)).status_code == 302
    assert not SignIn.objects.filter(user=person_of(north)).exists()


def test_who_else_is_signed_in_here_stays_so(north: Cast) -> None:
    visitor = signed_in_anew(north, Role.DISPATCHER)
    assert reset(visitor, person_of(north)).status_code == 302
    assert visitor.get(home_of(north)).status_code == 200


def test_while_others_guess_a_new_password_by_mail_still_lets_its_person_in(north: Cast) -> None:
    visitor, person = signed_in_anew(north, Role.VIEWER), person_of(north)
    before = KnownDevice.objects.get(user=person)
    assert reset(visitor, person).status_code == 302
    bucket = throttling.tally("account", person.email)
    for _ in range(10):
        throttling.may_try(bucket)

    assert From().sign_in(person.email, ANOTHER).status_code == 429
    assert visitor.sign_in(person.email, ANOTHER).status_code == 302
    # By this browser only, and under another word than before.
    assert not KnownDevice.objects.filter(id=before.id).exists()
    assert KnownDevice.objects.filter(user=person).count() == 1


def test_a_copy_of_the_sessions_opens_no_link(north: Cast, superuser: Any) -> None:
    link = forgotten.path_of(person_of(north))
    assert From().get(link).status_code == 302
    with superuser.cursor() as cursor:
        cursor.execute("SELECT session_data FROM accounts_signin WHERE user_id IS NULL")
        kept = [SessionStore().decode(data) for (data,) in cursor.fetchall()]
    assert any("new_password_token" in one for one in kept)
    assert link.rsplit("/", 1)[-1] not in repr(kept)


@pytest.mark.parametrize(
    "onward", ["sign-out", "nowhere", "https://testserver/x", "//else.example/", "/\\else.example"]
)
def test_a_sign_in_leads_to_a_page_of_ours_or_to_the_first(north: Cast, onward: str) -> None:
    signed = From().sign_in(email_of(north), next=onward)
    assert (signed.status_code, signed["Location"]) == (302, "/")


def test_a_command_that_makes_an_owner_of_who_is_signed_in_asks_for_more(north: Cast, south: Cast) -> None:
    visitor, person = signed_in_anew(north, Role.VIEWER), person_of(north)
    operators.add_member(actor=south.owner, user_id=person.id, role=Role.OWNER, name="Vi")
    assert visitor.get(home_of(south)).status_code == 302
    assert visitor.sign_in(person.email).status_code == 302
    assert visitor.get(home_of(south)).status_code == 200


def test_a_page_that_sends_a_form_tells_where_it_comes_from(north: Cast) -> None:
    """A browser says "Origin: null" of a form on a page that says "no-referrer" (Fetch standard, 3.1)."""
    client, person = Client(enforce_csrf_checks=True), person_of(north)
    page = client.get(forgotten.path_of(person), secure=True)["Location"]
    form = client.get(page, secure=True)
    assert "<form" in form.content.decode().split("<main", 1)[1]
    assert form["Referrer-Policy"] == "same-origin"
    values = {
        "password": ANOTHER,
        "again": ANOTHER,
        "csrfmiddlewaretoken": client.cookies["__Host-csrf"].value,
    }
    assert client.post(page, values, secure=True, headers={"origin": "null"}).status_code == 403
    told = client.post(page, values, secure=True, headers={"origin": "https://testserver"})
    assert told.status_code == 302
    assert not person_of(north).check_password(PASSWORD)


def test_a_form_opened_before_a_sign_in_says_what_to_do(north: Cast) -> None:
    first = From()
    first.get("/sign-in/")
    token = first.cookies["__Host-csrf"].value
    assert first.sign_in(email_of(north)).status_code == 302
    stale = first.post("/sign-out/", {"csrfmiddlewaretoken": token})
    assert stale.status_code == 403
    said = text_of(stale)
    assert "This was not done." in said
    assert "reload the page and send it again" in said
    assert "CSRF" not in said
    assert first.get(home_of(north)).status_code == 200


def test_a_flood_of_nobody_keeps_no_link_waiting(north: Cast, settings: Any, monkeypatch: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    monkeypatch.setattr(mail, "outbox", [], raising=False)
    ResetAsked.objects.all().delete()
    for number in range(60):
        flooding = f"{uuid7()}"
        forgotten.ask_for_new_password(email=f"{number}@{flooding}.example", network=flooding)
    forgotten.ask_for_new_password(email=email_of(north), network=f"{uuid7()}")
    assert forgotten.answer_asked() == 61
    assert [sent.to for sent in mail.outbox] == [[email_of(north)]]


def test_who_comes_in_and_who_does_not_stands_in_the_log(
    north: Cast, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "wickround.security")
    person = person_of(north)
    signed_in_anew(north, Role.VIEWER)
    assert f"signed_in user={person.id}" in caplog.messages
    for typed in ("123456", "23456-23456-23456-23456-23456"):
        with pytest.raises(BadInput):
            second_factor.give(user_id=person.id, typed=typed)
    assert f"second_factor_refused user={person.id}" in caplog.messages
    assert f"recovery_code_refused user={person.id}" in caplog.messages


def test_a_person_of_the_service_is_not_signed_in_for_a_week(north: Cast, later: Any) -> None:
    visitor = signed_in_anew(north, Role.CREW_MEMBER)
    User.objects.filter(id=north.users[Role.CREW_MEMBER].id).update(is_support=True)
    later(minutes=2)
    assert visitor.get(home_of(north)).status_code == 200
    later(minutes=31)
    assert visitor.get(home_of(north)).status_code == 302
