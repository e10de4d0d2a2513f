"""Who needs a second factor has one: from the invitation on, and in every session that acts in such a role."""

from __future__ import annotations

from typing import Any

import pytest

from accounts.commands import people
from accounts.permissions import Role
from tests.cast import PASSWORD, Cast
from tests.pages import visitors
from tests.pages.test_second_factor import KEY, SET_UP, _needed, code_of, is_in, signed_in
from tests.pages.visitors import Visitor

__all__ = ["_needed"]  # the fixture, for these tests too


def test_an_invitation_to_keep_the_books_needs_one_from_the_start(north: Cast, south: Cast) -> None:
    email = f"new@{north.operator.slug}.example"
    invited = people.invite_member(actor=north.owner, email=email, name="Jo Reed", role=Role.BOOKKEEPER)
    visitor = Visitor()
    path = f"/invitation/{invited.token}"
    visitor.get(path)
    answer = visitor.submit(path, password=PASSWORD, again=PASSWORD)
    assert answer["Location"] == SET_UP
    assert not is_in(visitor, north)
    (key,) = KEY.findall(visitor.get(SET_UP).content.decode())
    visitor.submit(SET_UP, code=code_of(key))
    assert is_in(visitor, north)
    # Somebody who is signed in already, by a password alone, becomes an owner elsewhere: from now on that is not enough.
    viewer = north.users[Role.VIEWER]
    invited = people.invite_member(actor=south.owner, email=viewer.email, name=viewer.name, role=Role.OWNER)
    signed = signed_in(north, Role.VIEWER)
    path = f"/invitation/{invited.token}"
    signed.get(path)
    # Not for whoever sits at this desk: the password comes first, then the page that sets one up.
    assert signed.submit(path)["Location"] == f"/{south.operator.slug}/"
    assert signed.get(SET_UP)["Location"] == "/sign-in/"
    assert not is_in(signed, north)
    assert not is_in(signed, south)
    given = signed.submit("/sign-in/", email=viewer.email, password=PASSWORD)
    assert given["Location"] == SET_UP


@pytest.mark.parametrize("role", [Role.OWNER, Role.BOOKKEEPER])
def test_no_session_without_it_acts_in_a_role_that_needs_it(north: Cast, role: Role) -> None:
    """However it came about: begun before the installation asked for one, or in the moment of a promotion."""
    visitor, home = visitors.signed_in(north, role), f"/{north.operator.slug}/"
    asks: dict[str, Any] = {"headers": {"wickround-operator": north.operator.slug}}
    for answer in (visitor.get(f"{home}me"), visitor.submit(f"{home}me/where/end-all")):
        assert (answer.status_code, answer["Location"].partition("?")[0]) == (302, "/sign-in/")
    refused = visitor.get("/api/v1/sites", **asks)
    assert (refused.status_code, refused.json()["type"].rsplit("/", 1)[-1]) == (401, "not-signed-in")
    assert visitors.signed_in(north, Role.DISPATCHER).get(f"{home}me").status_code == 200
    proven = signed_in(north, role)
    assert proven.get(f"{home}me").status_code == 200
    assert proven.get("/api/v1/sites", **asks).status_code == 200
