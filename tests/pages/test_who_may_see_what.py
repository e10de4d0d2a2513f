"""Signing in, and who gets to which page."""

from __future__ import annotations

import re

import pytest

from accounts.permissions import Role
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, signed_in, text_of

PAGES = (
    "",
    "alerts/",
    "rounds/",
    "rounds/plan",
    "sites/S1/write-note",
    "sites/",
    "sites/S1",
    "sites/S1/visit",
    "units/",
    "lots/",
    "search",
    "lots/L-1",
    "money/",
    "money/month",
    "money/documents/",
    "money/customers/",
    "money/customers/C1",
    "money/customers/C1/payment",
    "money/customers/C1/billing",
    "money/contracts/",
    "money/new-contract?customer=C1",
    "money/prices/",
    "money/new-price-item",
    "money/issuers/",
    "money/new-issuer",
    "money/numbers",
    "money/customers/C1/opening-debt",
    "ahead/",
    "royalty/",
    "royalty/terms",
    "set-up/",
    "set-up/people-named",
)


def test_a_person_signs_in_and_lands_on_the_lookout(north: Cast) -> None:
    visitor = Visitor()
    email = north.users[Role.DISPATCHER].email
    answer = visitor.submit("/sign-in/", email=email.upper(), password=PASSWORD)
    assert (answer.status_code, answer["Location"]) == (302, "/")
    assert visitor.get("/")["Location"] == f"/{north.operator.slug}/"
    visitor.submit("/sign-out/")
    assert visitor.get("/")["Location"] == "/sign-in/"


def test_a_wrong_password_and_an_unknown_person_read_the_same(north: Cast) -> None:
    known, unknown = Visitor(), Visitor()
    email = north.users[Role.OWNER].email
    wrong = known.submit("/sign-in/", email=email, password="not this phrase")
    nobody = unknown.submit("/sign-in/", email="nobody@north.example", password=PASSWORD)
    assert (wrong.status_code, nobody.status_code) == (422, 422)
    assert "do not belong together" in text_of(wrong)
    assert text_of(wrong) == text_of(nobody)


def test_signing_in_goes_on_to_the_page_asked_for_and_never_elsewhere(north: Cast) -> None:
    visitor, email = Visitor(), north.users[Role.OWNER].email
    asked = visitor.get(f"/{north.operator.slug}/sites/S1")
    assert asked["Location"] == f"/sign-in/?next=%2F{north.operator.slug}%2Fsites%2FS1"
    onward = visitor.submit(
        "/sign-in/", email=email, password=PASSWORD, next=f"/{north.operator.slug}/sites/S1"
    )
    assert onward["Location"] == f"/{north.operator.slug}/sites/S1"
    away = Visitor().submit("/sign-in/", email=email, password=PASSWORD, next="https://elsewhere.example/")
    assert away["Location"] == "/"


@pytest.mark.parametrize("page", PAGES)
def test_a_stranger_is_sent_to_sign_in(north: Cast, page: str) -> None:
    answer = Visitor().get(f"/{north.operator.slug}/{page}")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in/?next=")


@pytest.mark.parametrize("page", PAGES)
def test_a_rival_operator_gets_404(north: Cast, south: Cast, page: str) -> None:
    visitor = signed_in(south, Role.OWNER)
    rival = visitor.get(f"/{north.operator.slug}/{page}")
    nobody = visitor.get(f"/no-such-operator/{page}")
    assert (rival.status_code, nobody.status_code) == (404, 404)
    assert text_of(rival) == text_of(nobody)
    assert "Marl Quay" not in text_of(rival)


@pytest.mark.parametrize("page", PAGES)
def test_an_owner_sees_every_page(north: Cast, page: str) -> None:
    north.upload(north.installed())
    answer = signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/{page}")
    assert answer.status_code == 200
    assert "script-src 'self'" in answer["Content-Security-Policy"]
    assert " style=" not in answer.content.decode()
    assert re.findall(r"<script(?![^>]* src=\"/static/)[^>]*>", answer.content.decode()) == []


@pytest.mark.parametrize(
    ("role", "page"),
    [
        (Role.CREW_MEMBER, "money/"),
        (Role.DISPATCHER, "money/"),
        (Role.DISPATCHER, "money/customers/C1"),
        (Role.CREW_MEMBER, "money/prices/"),
        (Role.VIEWER, "money/customers/C1/payment"),
        (Role.VIEWER, "money/new-contract?customer=C1"),
        (Role.VIEWER, "money/new-issuer"),
        (Role.DISPATCHER, "royalty/"),
        (Role.VIEWER, "royalty/"),
        (Role.NETWORK, "money/"),
        (Role.NETWORK, ""),
        (Role.VIEWER, "set-up/"),
        (Role.VIEWER, "sites/S1/visit"),
        (Role.BOOKKEEPER, "sites/S1/visit"),
    ],
)
def test_a_role_that_may_not_gets_403_in_words(north: Cast, role: Role, page: str) -> None:
    answer = signed_in(north, role).get(f"/{north.operator.slug}/{page}")
    assert answer.status_code == 403
    assert "may not do this. Ask an owner" in text_of(answer)


def test_the_navigation_holds_only_what_the_role_may_see(north: Cast) -> None:
    crew = text_of(signed_in(north, Role.CREW_MEMBER).get(f"/{north.operator.slug}/"))
    owner = text_of(signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/"))
    assert "Lookout Rounds Sites Units Find a label, site, customer or invoice Crew Member Sign out" in crew
    assert (
        "Lookout Rounds Sites Units Month sheet Money Set-up Find a label, site, customer or invoice Owner Sign out"
        in owner
    )


def test_money_has_a_line_of_words_of_its_own(north: Cast) -> None:
    viewer = text_of(signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/money/"))
    owner = text_of(signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/money/"))
    words = "Overview Month Documents Customers Bank Contracts Prices Ahead Issuer and tax"
    assert f"{words} Royalty Webhooks Monday 15 June 2026." in owner
    assert f"{words} Monday 15 June 2026." in viewer


def test_a_post_without_its_token_is_refused(north: Cast) -> None:
    visitor = signed_in(north, Role.OWNER)
    assert visitor.post("/sign-out/").status_code == 403


def test_the_notice_stands_on_every_page(north: Cast, settings) -> None:
    settings.WICKROUND_NOTICE = "Invented data: nothing here is real."
    assert "Invented data: nothing here is real." in text_of(Visitor().get("/sign-in/"))
    page = signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/sites/")
    assert "Invented data: nothing here is real." in text_of(page)
