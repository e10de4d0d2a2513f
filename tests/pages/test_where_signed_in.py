"""The page of where one is signed in: every session and known browser, and how to end them."""

from __future__ import annotations

import re
from typing import Any

from accounts.models import AuditEntry, KnownDevice
from accounts.permissions import Role
from accounts.sessions import digest_of
from tests.cast import Cast
from tests.pages.browsers import PHONE, home_of, signed_in_anew
from tests.pages.visitors import text_of


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
