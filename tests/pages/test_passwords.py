"""A password changed on one's own page, and a new one by a mailed link, from the sign-in on."""

from __future__ import annotations

import logging
import re
from typing import Any

import pytest
from django.core import mail
from django.test import Client

from accounts.commands import forgotten, people
from accounts.models import ResetAsked, User
from accounts.permissions import Role
from accounts.tasks import answer_forgotten, tick
from config.logs import HideLinks
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, signed_in, text_of

ANOTHER = "nine lanterns by the canal"


@pytest.fixture
def mailing(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    settings.PUBLIC_URL = "https://wickround.example"
    monkeypatch.setattr(mail, "outbox", [], raising=False)


def link_in_the_mail() -> str:
    (sent,) = mail.outbox
    (link,) = re.findall(r"https://wickround\.example(\S+)", str(sent.body))
    return str(link)


def test_a_member_changes_the_password_and_stays_signed_in_here_alone(north: Cast) -> None:
    here, there = signed_in(north, Role.CREW_MEMBER), signed_in(north, Role.CREW_MEMBER)
    path = f"/{north.operator.slug}/me/password"
    assert path in here.get(f"/{north.operator.slug}/me").content.decode()
    form = here.get(path).content.decode()
    assert form.count('autocomplete="new-password"') == 2
    assert form.count('autocomplete="current-password"') == 1
    before = here.cookies["__Host-sid"].value
    done = here.submit(path, current=PASSWORD, password=ANOTHER, again=ANOTHER)
    assert (done.status_code, done["Location"]) == (302, f"{path}?done=changed")
    assert here.cookies["__Host-sid"].value != before
    assert "You have a new password." in text_of(here.get(done["Location"]))
    assert there.get(path).status_code == 302
    assert User.objects.get(id=north.users[Role.CREW_MEMBER].id).check_password(ANOTHER)


@pytest.mark.parametrize(
    ("form", "field", "said"),
    [
        ({}, "current", "Fill this in."),
        ({"current": "not mine"}, "current", "This is not your password."),
        ({"again": "something else"}, "again", "The two passwords differ."),
        ({"password": "short words", "again": "short words"}, "password", "too short: use at least 12"),
        ({"password": "x" * 129, "again": "x" * 129}, "password", "too long: use at most 128"),
        ({"password": "password1234", "again": "password1234"}, "password", "too common"),
        ({"password": "Viewer 2026 !", "again": "Viewer 2026 !"}, "password", "what others know"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field(
    north: Cast, form: dict[str, str], field: str, said: str
) -> None:
    visitor = signed_in(north, Role.VIEWER)
    whole = {"current": PASSWORD, "password": ANOTHER, "again": ANOTHER, **form} if form else {}
    refused = visitor.submit(f"/{north.operator.slug}/me/password", **whole)
    assert refused.status_code in {400, 422}
    body = refused.content.decode()
    assert re.search(rf'id="id_{field}_error">[^<]*{re.escape(said)}', body)
    # A password typed is never sent back.
    assert all(value not in body for value in whole.values())
    assert User.objects.get(id=north.users[Role.VIEWER].id).check_password(PASSWORD)


def test_a_forgotten_password_is_replaced_by_the_mailed_link(north: Cast, mailing: None) -> None:
    person = north.users[Role.DISPATCHER]
    somewhere, visitor = signed_in(north, Role.DISPATCHER), Visitor()
    assert "/sign-in/forgotten" in visitor.get("/sign-in/").content.decode()
    asked = visitor.submit("/sign-in/forgotten", email=person.email)
    assert (asked.status_code, asked["Location"]) == (302, "/sign-in/forgotten?done=asked")
    assert "a mail with a link is on its way" in text_of(visitor.get(asked["Location"]))
    answer_forgotten()
    link = link_in_the_mail()
    opened = visitor.get(link)
    assert (opened.status_code, opened["Referrer-Policy"]) == (302, "no-referrer")
    # The token is out of the address before anything is shown.
    page = opened["Location"]
    assert link.rsplit("/", 1)[-1] not in page
    form = visitor.get(page)
    # By "no-referrer" a browser would send the form as from nowhere, which is refused.
    assert (form.status_code, form["Referrer-Policy"]) == (200, "same-origin")
    assert link.rsplit("/", 1)[-1] not in form.content.decode()
    assert "too common" in text_of(visitor.submit(page, password="password1234", again="password1234"))
    done = visitor.submit(page, password=ANOTHER, again=ANOTHER)
    assert (done.status_code, done["Location"]) == (302, "/sign-in/new-password")
    assert "You have a new password." in text_of(visitor.get(done["Location"]))
    # It signed nobody in, here or elsewhere, and serves once.
    assert visitor.get(f"/{north.operator.slug}/").status_code == 302
    assert somewhere.get(f"/{north.operator.slug}/").status_code == 302
    for again in (
        visitor.get(page),
        Visitor().get(link),
        visitor.submit(page, password=PASSWORD, again=PASSWORD),
    ):
        assert again.status_code == 404
        assert "This link is over." in text_of(again)
    signed = visitor.submit("/sign-in/", email=person.email, password=ANOTHER)
    assert (signed.status_code, signed["Location"]) == (302, "/")


def test_the_answer_says_nothing_of_who_works_here(north: Cast, mailing: None) -> None:
    known, unknown = Visitor(), Visitor()
    one = known.submit("/sign-in/forgotten", email=north.users[Role.OWNER].email)
    other = unknown.submit("/sign-in/forgotten", email=f"nobody@{north.operator.slug}.example")
    assert (one.status_code, one["Location"], one.content) == (
        other.status_code,
        other["Location"],
        other.content,
    )
    assert mail.outbox == []
    answer_forgotten()
    assert [sent.to for sent in mail.outbox] == [[north.users[Role.OWNER].email]]


def test_the_next_minute_answers_what_was_asked(
    north: Cast, mailing: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[dict[str, Any]] = []
    monkeypatch.setattr(answer_forgotten, "apply_async", lambda **how: sent.append(how))
    monkeypatch.setattr("accounts.tasks.relay", lambda: 0)
    monkeypatch.setattr("accounts.tasks.call_workers", lambda: 0)
    ResetAsked.objects.all().delete()
    tick()
    assert sent == []
    Visitor().submit("/sign-in/forgotten", email=north.users[Role.OWNER].email)
    tick()
    assert len(sent) == 1
    ResetAsked.objects.all().delete()


def test_who_asks_too_often_is_told_how_long_to_wait(north: Cast, mailing: None) -> None:
    visitor, email = Visitor(), f"nobody@{north.operator.slug}.example"
    answers = [visitor.submit("/sign-in/forgotten", email=email) for _ in range(3)]
    assert [one.status_code for one in answers] == [302, 302, 429]
    assert int(answers[-1]["Retry-After"]) > 600
    assert "Try again in 20 min." in text_of(answers[-1])
    assert email in answers[-1].content.decode()
    assert visitor.submit("/sign-in/forgotten", email="no address").status_code == 422
    ResetAsked.objects.all().delete()


def test_without_mail_the_page_says_whom_to_ask(database: Any) -> None:
    page = Visitor().get("/sign-in/forgotten")
    assert page.status_code == 200
    assert "Ask whoever runs this installation" in text_of(page)
    assert "<form" not in page.content.decode().split("<main", 1)[1]


@pytest.mark.parametrize("spoil", ["person", "token", "nothing in the session"])
def test_a_link_of_somebody_else_or_of_nobody_is_over(north: Cast, spoil: str) -> None:
    person, other = User.objects.get(id=north.users[Role.OWNER].id), north.users[Role.VIEWER]
    link, visitor = forgotten.path_of(person), Visitor()
    path = {
        "person": link.replace(str(person.id), str(other.id)),
        "token": link[:-1] + ("1" if link[-1] != "1" else "2"),
        "nothing in the session": f"/sign-in/new-password/{person.id}/choose",
    }[spoil]
    answer = visitor.get(path)
    assert (answer.status_code, answer["Referrer-Policy"]) == (404, "same-origin")
    assert "This link is over." in text_of(answer)


def test_the_link_of_one_session_opens_nothing_for_another_person(north: Cast) -> None:
    owner, viewer = (User.objects.get(id=north.users[role].id) for role in (Role.OWNER, Role.VIEWER))
    visitor = Visitor()
    assert visitor.get(forgotten.path_of(viewer)).status_code == 302
    path = f"/sign-in/new-password/{owner.id}/choose"
    assert visitor.submit(path, password=ANOTHER, again=ANOTHER).status_code == 404
    assert User.objects.get(id=owner.id).check_password(PASSWORD)


def test_the_token_counts_only_with_the_form_of_the_page(north: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    person = User.objects.get(id=north.users[Role.OWNER].id)
    client.get(forgotten.path_of(person), secure=True)
    forged = client.post(
        f"/sign-in/new-password/{person.id}/choose", {"password": ANOTHER, "again": ANOTHER}, secure=True
    )
    assert forged.status_code == 403
    assert User.objects.get(id=person.id).check_password(PASSWORD)


def test_no_log_line_holds_a_link(north: Cast, caplog: pytest.LogCaptureFixture) -> None:
    link = forgotten.path_of(User.objects.get(id=north.users[Role.OWNER].id))
    caplog.handler.addFilter(HideLinks())
    Visitor().get(link[:-1] + "~")
    logging.getLogger("django.request").warning("Not Found: %s", link)
    assert link.rsplit("/", 1)[-1] not in caplog.text
    assert "/sign-in/new-password/" in caplog.text


def test_an_invitation_says_what_is_wrong_with_a_password(north: Cast) -> None:
    invited = people.invite_member(
        actor=north.owner, email=f"jo@{north.operator.slug}.example", name="Jo", role=Role.VIEWER
    )
    weak = f"{north.operator.slug}"
    refused = Visitor().submit(f"/invitation/{invited.token}", password=weak, again=weak)
    assert refused.status_code == 400
    assert "what others know" in text_of(refused)
