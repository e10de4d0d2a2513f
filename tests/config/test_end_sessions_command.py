"""Ending sessions from the command line: of one person, and of everybody."""

from __future__ import annotations

import io

import pytest
from django.core.management import CommandError, call_command

from accounts.permissions import Role
from tests.cast import Cast
from tests.pages.visitors import signed_in


def run(*words: str) -> str:
    out = io.StringIO()
    call_command("end_sessions", *words, stdout=out)
    return out.getvalue()


def is_in(visitor, cast: Cast) -> bool:
    return visitor.get(f"/{cast.operator.slug}/units/").status_code == 200


def test_one_person_is_signed_out_everywhere_and_nobody_else(north: Cast) -> None:
    owner, again, viewer = (signed_in(north, role) for role in (Role.OWNER, Role.OWNER, Role.VIEWER))

    assert (
        run(north.users[Role.OWNER].email.upper())
        == "2 sessions ended. Whoever was signed in signs in again.\n"
    )

    assert [is_in(one, north) for one in (owner, again, viewer)] == [False, False, True]


def test_everybody_is_signed_out(north: Cast, south: Cast) -> None:
    visitors = [(signed_in(cast, Role.VIEWER), cast) for cast in (north, south)]

    assert "ended. Whoever was signed in signs in again." in run("--everybody")

    assert [is_in(*one) for one in visitors] == [False, False]


@pytest.mark.parametrize("words", [(), ("somebody@quay.example", "--everybody")])
def test_it_wants_one_or_all(database, words) -> None:
    with pytest.raises(CommandError, match="Name one person"):
        run(*words)


def test_nobody_of_this_address(database) -> None:
    with pytest.raises(CommandError, match="Nobody signs in with this e-mail address"):
        run("nobody@quay.example")
