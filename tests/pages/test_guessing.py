"""Who guesses at the sign-in page is slowed down, and learns nothing; the person gets in by a known browser."""

from __future__ import annotations

from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth.hashers import Argon2PasswordHasher

from accounts.models import KnownDevice, User
from accounts.pages.letting_in import device_cookie_name
from accounts.permissions import Role
from tests.cast import PASSWORD, Cast
from tests.pages.browsers import From, email_of, home_of, signed_in_anew
from tests.pages.visitors import text_of


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
