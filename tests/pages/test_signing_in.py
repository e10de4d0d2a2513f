"""The sign-in page and the page of where one is signed in: guesses, known browsers, sessions and their ends."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.conf import settings
from django.contrib.auth.hashers import Argon2PasswordHasher

from accounts import clock
from accounts.commands import people, sessions
from accounts.ids import uuid7
from accounts.models import AuditEntry, KnownDevice, SignIn, User
from accounts.pages.letting_in import device_cookie_name
from accounts.permissions import Role
from accounts.sessions import digest_of
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, text_of

DESK = "Mozilla/5.0 (Desk System 10.0; x64; rv:128.0) Engine/20100101 Prowser/128.0"
PHONE = "Mozilla/5.0 (Phone System 9; K) Engine/537.36 (like Other) Browser/124.0 Mobile Old/537.36"


class From(Visitor):
    """A browser at an address of its own, so that nobody else's tries are counted with its own."""

    def __init__(self, agent: str = DESK) -> None:
        super().__init__()
        # Of the network that RFC 3849 keeps for documentation: a household of its own.
        self.network = f"2001:db8:{uuid7().hex[-8:-4]}:{uuid7().hex[-4:]}::1"
        self.defaults |= {"REMOTE_ADDR": self.network, "HTTP_USER_AGENT": agent}

    def sign_in(self, email: str, password: str = PASSWORD, **more: str) -> Any:
        return self.submit("/sign-in/", email=email, password=password, **more)


def email_of(cast: Cast, role: Role = Role.DISPATCHER) -> str:
    return cast.users[role].email


def home_of(cast: Cast) -> str:
    return f"/{cast.operator.slug}/"


def signed_in_anew(cast: Cast, role: Role = Role.DISPATCHER, agent: str = DESK) -> From:
    visitor = From(agent)
    assert visitor.sign_in(email_of(cast, role)).status_code == 302
    return visitor


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


# Guesses


def test_guesses_are_slowed_down_alike_for_known_and_unknown_names(north: Cast):
    def guesses(email: str) -> list[tuple[int, str, str]]:
        visitor = From()
        answers = [visitor.sign_in(email, f"not this phrase {n}") for n in range(7)]
        return [
            (one.status_code, one.headers.get("Retry-After", ""), text_of(one).replace(email, ""))
            for one in answers
        ]

    known, unknown = guesses(email_of(north)), guesses(f"nobody@{north.operator.slug}.example")

    assert known == unknown
    assert [(status, wait) for status, wait, _text in known] == [(422, "")] * 5 + [(429, "1")] * 2
    assert "This was tried too often, so nothing was looked at. Try again in 1 s." in known[-1][2]


def test_a_refused_try_keeps_what_was_typed_but_the_password(north: Cast):
    visitor = From()
    for n in range(6):
        answer = visitor.sign_in(email_of(north), f"not this phrase {n}", next=f"{home_of(north)}rounds/")

    said = answer.content.decode()
    assert answer.status_code == 429
    assert f'value="{email_of(north)}"' in said
    assert f'value="{home_of(north)}rounds/"' in said
    assert "not this phrase" not in said


def test_the_right_password_is_not_looked_at_while_one_has_to_wait(north: Cast, later: Any):
    visitor = From()
    for n in range(5):
        visitor.sign_in(email_of(north), f"not this phrase {n}")

    assert visitor.sign_in(email_of(north)).status_code == 429
    later(seconds=1)
    assert visitor.sign_in(email_of(north)).status_code == 302


def test_the_person_signs_in_by_a_known_browser_while_others_guess(north: Cast, later: Any):
    visitor = signed_in_anew(north)
    visitor.submit("/sign-out/")
    refused = [From().sign_in(email_of(north), f"not this phrase {n}").status_code for n in range(12)]
    assert refused == [422] * 10 + [429] * 2

    assert From().sign_in(email_of(north)).status_code == 429
    assert visitor.sign_in(email_of(north)).status_code == 302
    # And from anywhere, soon: nobody can lock an account.
    later(seconds=15)
    assert From().sign_in(email_of(north)).status_code == 302


def test_a_known_browser_is_no_way_in_for_other_names(north: Cast):
    visitor = signed_in_anew(north)
    other = email_of(north, Role.VIEWER)

    answers = [visitor.sign_in(other, f"not this phrase {n}").status_code for n in range(6)]
    elsewhere = [From().sign_in(other, f"not this phrase {n}").status_code for n in range(6)]

    assert answers == [422] * 5 + [429]
    # The account's own bucket was drawn from by those five too.
    assert elsewhere == [422] * 5 + [429]


def test_a_known_browser_is_slowed_down_too(north: Cast):
    visitor = signed_in_anew(north)

    answers = [visitor.sign_in(email_of(north), f"not {n}").status_code for n in range(6)]

    assert answers == [422] * 5 + [429]


def test_people_who_share_a_browser_are_both_known_by_it(north: Cast):
    visitor = From()
    roles = (Role.DISPATCHER, Role.VIEWER, Role.DISPATCHER)
    for role in roles:
        visitor.sign_in(email_of(north, role))
        visitor.submit("/sign-out/")

    users = [north.users[role] for role in set(roles)]
    assert KnownDevice.objects.filter(user__in=users).count() == 2
    assert len(visitor.cookies["__Host-device"].value.split(".")) == 2


def test_the_device_cookie_is_for_the_server_alone_and_kept_as_a_digest(
    north: Cast, monkeypatch: pytest.MonkeyPatch
):
    visitor = signed_in_anew(north)
    cookie = visitor.cookies["__Host-device"]
    known = KnownDevice.objects.get(user=north.users[Role.DISPATCHER])

    assert (cookie["secure"], cookie["httponly"], cookie["samesite"], cookie["path"]) == (
        True,
        True,
        "Lax",
        "/",
    )
    assert cookie["domain"] == ""
    assert len(cookie.value) >= 43  # 256 bits
    assert len(bytes(known.digest)) == 32
    assert cookie.value.encode() not in bytes(known.digest)
    monkeypatch.setattr(settings, "HTTPS", False)
    assert device_cookie_name() == "device"


@pytest.mark.parametrize("word", ["", "....", "x" * 4000, "0'; --", "ü.ö"])
def test_any_device_cookie_is_taken_for_an_unknown_one(north: Cast, word: str):
    visitor = From()
    visitor.get("/sign-in/")
    visitor.cookies["__Host-device"] = word

    assert visitor.sign_in(email_of(north)).status_code == 302


# What is as long to answer as what


def _counted(name: str, runs: list[str]) -> Any:
    plain = getattr(Argon2PasswordHasher, name)

    def run_it(*args: Any, **kwargs: Any) -> Any:
        runs.append(name)
        return plain(*args, **kwargs)

    return run_it


def test_whoever_may_not_sign_in_costs_one_run_of_the_slow_hash(north: Cast, monkeypatch: pytest.MonkeyPatch):
    runs: list[str] = []
    for name in ("encode", "verify"):
        monkeypatch.setattr(Argon2PasswordHasher, name, _counted(name, runs))
    inactive, unset = north.users[Role.VIEWER], north.users[Role.NETWORK]
    User.objects.filter(id=inactive.id).update(is_active=False)
    User.objects.filter(id=unset.id).update(password="!")
    cost = {}
    for name, email, password in (
        ("wrong", email_of(north), "not this phrase"),
        ("unknown", f"nobody@{north.operator.slug}.example", PASSWORD),
        ("inactive", inactive.email, PASSWORD),
        ("without", unset.email, PASSWORD),
        ("empty", email_of(north), ""),
    ):
        runs.clear()
        assert From().sign_in(email, password).status_code == 422
        cost[name] = len(runs)

    assert cost == dict.fromkeys(cost, 1)
    # RFC 9106: the variant for passwords.
    assert north.users[Role.OWNER].password.startswith("argon2$argon2id$")


# Where one is signed in


def test_a_person_sees_where_they_are_signed_in(north: Cast, later: Any):
    phone = signed_in_anew(north, agent=PHONE)
    later(minutes=5)
    desk = signed_in_anew(north)
    signed_in_anew(north, Role.VIEWER, agent="Somebody/7.0")

    said = text_of(desk.get(f"/{north.operator.slug}/me/where"))

    assert "You are signed in at 2 places." in said
    assert "Prowser 128 on Desk System 10.0, x64" in said
    assert "Browser 124 on a phone or tablet (Phone System 9, K)" in said
    assert phone.network in said
    assert desk.network in said
    assert "Somebody" not in said
    assert said.count("this one") == 2
    assert "Where you are signed in" in text_of(desk.get(f"/{north.operator.slug}/me"))


def test_a_person_ends_one_session_or_all_others(north: Cast):
    where = f"/{north.operator.slug}/me/where"
    here, there, third = (signed_in_anew(north) for _ in range(3))
    there_key = digest_of(there.cookies["__Host-sid"].value)
    assert f'value="{there_key}"' in here.get(where).content.decode()

    answer = here.submit(f"{where}/end", session=there_key)

    assert answer["Location"] == where
    assert there.get(home_of(north)).status_code == 302
    assert third.get(home_of(north)).status_code == 200
    assert here.submit(f"{where}/end", session=there_key).status_code == 404

    here.submit(f"{where}/end-others")

    assert third.get(home_of(north)).status_code == 302
    assert "You are signed in here and nowhere else." in text_of(here.get(where))


def test_signing_out_everywhere_forgets_the_browsers_too(north: Cast):
    here, there = signed_in_anew(north), signed_in_anew(north)

    answer = here.submit(f"/{north.operator.slug}/me/where/end-all")

    assert answer["Location"] == "/sign-in/"
    assert [one.get(home_of(north)).status_code for one in (here, there)] == [302, 302]
    assert not KnownDevice.objects.filter(user=north.users[Role.DISPATCHER]).exists()


def test_nobody_ends_anothers_session_or_forgets_their_browser(north: Cast):
    mine, theirs = signed_in_anew(north), signed_in_anew(north, Role.VIEWER)
    where = f"/{north.operator.slug}/me/where"
    their_key = digest_of(theirs.cookies["__Host-sid"].value)
    their_browser = KnownDevice.objects.get(user=north.users[Role.VIEWER])

    assert mine.submit(f"{where}/end", session=their_key).status_code == 404
    assert mine.submit(f"{where}/end").status_code == 404
    assert mine.submit(f"{where}/browsers/{their_browser.id}/forget").status_code == 404

    assert theirs.get(home_of(north)).status_code == 200
    assert KnownDevice.objects.filter(id=their_browser.id).exists()


def test_a_person_forgets_one_browser(north: Cast):
    visitor = signed_in_anew(north)
    where = f"/{north.operator.slug}/me/where"
    found = re.search(rf'action="({where}/browsers/[^"]+)"', visitor.get(where).content.decode())
    assert found is not None

    assert visitor.submit(found[1])["Location"] == where

    assert not KnownDevice.objects.filter(user=north.users[Role.DISPATCHER]).exists()
    assert "None yet." in text_of(visitor.get(where))


def test_each_operator_of_a_person_is_told_of_sign_ins_and_ends(north: Cast, south: Cast):
    here = signed_in_anew(north)
    signed_in_anew(north)
    where = f"/{north.operator.slug}/me/where"
    here.submit(f"{where}/end-others")
    here.submit(f"{where}/end-all")

    with north.reading():
        found = AuditEntry.objects.filter(actor_id=north.dispatcher.id).order_by("number")
        noted = [(one.action, one.about, one.address) for one in found]
    with south.reading():
        assert not AuditEntry.objects.filter(action__in=["signed_in", "sessions_ended"]).exists()

    assert [(action, about) for action, about, _address in noted] == [
        ("signed_in", {}),
        ("signed_in", {}),
        ("sessions_ended", {"count": 1}),
        ("sessions_ended", {"count": 1}),
    ]
    assert noted[0][2] == here.network
