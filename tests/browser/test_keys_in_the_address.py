"""Pages whose address is a key: their forms are sent by a browser, which tells where they come from."""

from __future__ import annotations

from typing import Any

from accounts.commands import forgotten, people
from accounts.models import User
from accounts.permissions import Role
from tests.browser.walking import arrives_at, go_to
from tests.cast import Cast

WORDS = "nine lanterns by the canal"


def _choose(page: Any) -> None:
    page.locator("#id_password").fill(WORDS)
    page.locator("#id_again").fill(WORDS)
    page.keyboard.press("Enter")


def test_an_invitation_is_taken_up_with_a_first_password(page: Any, address: str, north: Cast) -> None:
    invited = people.invite_member(
        actor=north.owner, email=f"jo@{north.operator.slug}.example", name="Jo Reed", role=Role.VIEWER
    )
    page.goto(f"{address}/invitation/{invited.token}")
    arrives_at(page, "Jo Reed")
    _choose(page)
    page.wait_for_url(f"**/{north.operator.slug}/**")


def test_a_new_password_is_chosen_by_a_mailed_link(page: Any, address: str, north: Cast) -> None:
    person = User.objects.get(id=north.users[Role.VIEWER].id)
    page.goto(f"{address}{forgotten.path_of(person)}")
    arrives_at(page, "Choose a new password")
    _choose(page)
    arrives_at(page, "You have a new password")
    go_to(page, "Sign in")
