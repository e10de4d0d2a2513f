"""Sessions that begin at the sign-in page: their keys, their lifetimes by role, and their ends."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from accounts import clock
from accounts.commands import people, sessions
from accounts.models import SignIn
from accounts.permissions import Role
from accounts.sessions import digest_of
from tests.cast import Cast
from tests.pages.browsers import DESK, From, email_of, home_of, signed_in_anew


def test_a_session_begins_under_a_new_key_and_is_kept_as_a_digest(north: Cast):
    visitor = signed_in_anew(north)
    first = visitor.cookies["__Host-sid"].value

    visitor.sign_in(email_of(north))

    again = visitor.cookies["__Host-sid"].value
    kept = SignIn.objects.get(session_key=digest_of(again))
    assert again != first
    assert again not in kept.session_key
    assert not SignIn.objects.filter(session_key=digest_of(first)).exists()
    assert (kept.user_id, kept.address, kept.agent) == (
        north.users[Role.DISPATCHER].id,
        visitor.network,
        DESK,
    )


def test_a_key_from_before_the_sign_in_is_worth_nothing_after_it(north: Cast):
    planted = signed_in_anew(north, Role.VIEWER).cookies["__Host-sid"].value
    victim = From()
    victim.cookies["__Host-sid"] = planted

    victim.sign_in(email_of(north))

    attacker = From()
    attacker.cookies["__Host-sid"] = planted
    assert victim.get(home_of(north)).status_code == 200
    assert attacker.get(home_of(north)).status_code == 302


@pytest.mark.parametrize(
    ("role", "idle", "most"),
    [
        (Role.OWNER, timedelta(minutes=30), timedelta(hours=12)),
        (Role.BOOKKEEPER, timedelta(minutes=30), timedelta(hours=12)),
        (Role.DISPATCHER, timedelta(hours=12), timedelta(hours=24)),
        (Role.CREW_MEMBER, timedelta(hours=12), timedelta(days=7)),
    ],
)
def test_a_session_ends_unused_or_when_its_time_is_over(
    north: Cast, later: Any, role: Role, idle: timedelta, most: timedelta
):
    visitor, path = signed_in_anew(north, role), f"/{north.operator.slug}/me"
    cookie = visitor.cookies["__Host-sid"]
    start = clock.now()

    assert int(cookie["max-age"]) == most.total_seconds()
    while clock.now() + idle < start + most:
        later(seconds=idle.total_seconds() - 60)
        assert visitor.get(path).status_code == 200
    clock.set_to(start + most - timedelta(seconds=1))
    assert visitor.get(path).status_code == 200
    later(seconds=1)
    over = visitor.get(path)
    assert over["Location"] == f"/sign-in/?next=%2F{north.operator.slug}%2Fme"

    unused = signed_in_anew(north, role)
    later(seconds=idle.total_seconds() - 1)
    assert unused.get(path).status_code == 200
    later(seconds=idle.total_seconds())
    assert unused.get(path).status_code == 302


def test_the_shortest_of_all_roles_holds(north: Cast, south: Cast, later: Any):
    crew_member = north.users[Role.CREW_MEMBER]
    visitor = signed_in_anew(north, Role.CREW_MEMBER)
    later(hours=1)
    assert visitor.get(f"/{north.operator.slug}/me").status_code == 200

    invited = people.invite_member(
        actor=south.owner, email=crew_member.email, name="Jo", role=Role.BOOKKEEPER
    )
    visitor.submit(f"/invitation/{invited.token}")

    # Signed in without a second factor before: once more, now that it may be needed.
    assert visitor.get(f"/{north.operator.slug}/me").status_code == 302
    visitor = signed_in_anew(north, Role.CREW_MEMBER)
    later(minutes=31)
    assert visitor.get(f"/{north.operator.slug}/me").status_code == 302


def test_use_is_noted_once_a_minute_and_a_page_left_open_uses_nothing(north: Cast, later: Any):
    visitor = signed_in_anew(north)
    row = SignIn.objects.filter(user=north.users[Role.DISPATCHER])
    began = row.get().seen_at

    later(seconds=59)
    visitor.get(home_of(north))
    assert row.get().seen_at == began
    later(seconds=1)
    assert visitor.get(f"{home_of(north)}lookout/changes").status_code == 200
    assert row.get().seen_at == began
    visitor.get(home_of(north))
    assert row.get().seen_at == began + timedelta(minutes=1)
    assert row.get().started_at == began


def test_the_api_answers_401_once_a_session_is_over(north: Cast, later: Any):
    visitor = signed_in_anew(north, Role.OWNER)
    asks: dict[str, Any] = {"headers": {"wickround-operator": north.operator.slug}}
    assert visitor.get("/api/v1/sites", **asks).status_code == 200

    later(minutes=30)

    assert visitor.get("/api/v1/sites", **asks).status_code == 401


def test_a_session_ended_from_elsewhere_is_not_called_back_by_its_own_request(north: Cast):
    visitor = signed_in_anew(north)
    user = north.users[Role.DISPATCHER]

    assert sessions.end_sessions(user.id) == 1

    assert visitor.get(home_of(north)).status_code == 302
    assert not SignIn.objects.filter(user=user).exists()


def test_who_is_raised_or_leaves_is_signed_out(north: Cast):
    viewer, crew_member = signed_in_anew(north, Role.VIEWER), signed_in_anew(north, Role.CREW_MEMBER)
    crew_actor, viewer_actor = north.actors[Role.CREW_MEMBER], north.actors[Role.VIEWER]

    people.change_member(actor=north.owner, member_id=_id(viewer_actor.id), name="Vi", role=Role.DISPATCHER)
    assert viewer.get(home_of(north)).status_code == 200
    people.change_member(actor=north.owner, member_id=_id(viewer_actor.id), name="Vi", role=Role.BOOKKEEPER)
    assert viewer.get(home_of(north)).status_code == 302

    people.deactivate_member(actor=north.owner, member_id=_id(crew_actor.id))
    assert not SignIn.objects.filter(user=north.users[Role.CREW_MEMBER]).exists()
    assert crew_member.get("/")["Location"] == "/sign-in/"


def test_a_rival_ends_nobodys_sessions_by_inviting_them(north: Cast, south: Cast):
    visitor = signed_in_anew(north)
    invited = people.invite_member(
        actor=south.owner, email=email_of(north), name="Di", role=Role.VIEWER
    ).member

    people.change_member(actor=south.owner, member_id=invited.id, name="Di", role=Role.OWNER)
    people.deactivate_member(actor=south.owner, member_id=invited.id)

    assert visitor.get(home_of(north)).status_code == 200


def _id(found: UUID | None) -> UUID:
    assert found is not None
    return found
