"""The pages on which an owner makes programs, changes and rotates their secrets, and revokes them."""

from __future__ import annotations

import re
from typing import Any

import pytest

from accounts import queries
from accounts.models import MachineClient
from accounts.pages.clients import ProgramForm
from accounts.permissions import PROGRAM_SCOPES, Permission, Role
from tests.api.callers import bearer, token_for
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of

SHOWN = r'id="{}" class="address" readonly autocomplete="off" value="([^"]+)"'


def programs(cast: Cast) -> str:
    return f"/{cast.operator.slug}/set-up/programs"


def shown(answer: Any, name: str) -> str:
    """What stands to be copied."""
    found = re.search(SHOWN.format(name), answer.content.decode())
    assert found is not None, text_of(answer)
    return found[1]


def make(visitor: Visitor, cast: Cast, **values: Any) -> Any:
    return visitor.submit(
        f"{programs(cast)}/new", **{"name": "Ledger", "scopes": ["invoices:read", "journal:read"], **values}
    )


def only_program(cast: Cast) -> MachineClient:
    with cast.reading():
        return queries.programs().get()


def page_of(cast: Cast) -> str:
    return f"{programs(cast)}/{only_program(cast).uuid}"


def test_an_owner_makes_a_program_and_it_may_what_was_ticked(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    assert "No program may use the API." in text_of(owner.get(f"{programs(north)}/"))

    answer = make(owner, north)

    client_id, secret = shown(answer, "client-id"), shown(answer, "secret")
    assert shown(answer, "token-at") == "https://testserver/oauth/token"
    assert "no-store" in answer.headers["Cache-Control"]
    caller = bearer(token_for(client_id, secret))
    assert caller.read("invoices").status_code == 200
    assert caller.read("units").status_code == 403
    listed = text_of(owner.get(f"{programs(north)}/"))
    assert "1 program may use the API." in listed
    assert "Ledger" in listed
    assert "never" not in listed
    later = owner.get(page_of(north)).content.decode()
    assert client_id in later
    assert secret not in later


def test_nothing_ticked_or_a_name_that_is_taken_is_said_beside_the_field(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)

    bare = make(owner, north, scopes=[])
    assert bare.status_code == 422
    assert "Choose at least one thing" in text_of(bare)
    assert 'id="id_scopes_error"' in bare.content.decode()
    assert 'value="Ledger"' in bare.content.decode()
    assert "Fill this in." in text_of(make(owner, north, name=""))
    odd = make(owner, north, scopes=["members:manage"])
    assert odd.status_code == 422
    assert make(owner, north).status_code == 200
    taken = make(owner, north)
    assert taken.status_code == 409
    assert 'id="id_name_error"' in taken.content.decode()
    assert "There is a program named Ledger already." in text_of(taken)
    ticked = re.findall(r'value="([a-z:-]+)"[^>]*checked', taken.content.decode())
    assert ticked == ["invoices:read", "journal:read"]


def test_another_name_and_other_scopes_hold_at_once(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    answer = make(owner, north)
    caller = bearer(token_for(shown(answer, "client-id"), shown(answer, "secret")))
    page = page_of(north)

    saved = owner.submit(page, name="Books of 2026", scopes=["journal:read"])

    assert saved["Location"] == page
    assert caller.read("invoices").status_code == 403
    text = text_of(owner.get(page))
    assert "Changed: it is called Books of 2026, with: journal:read." in text
    assert "Made as Ledger, with: invoices:read, journal:read." in text
    assert text.count(north.owner.name) >= 3
    assert owner.submit(page, name="", scopes=[]).status_code == 422


def test_a_secret_is_changed_without_a_pause(north: Cast, later: Any) -> None:
    owner = signed_in(north, Role.OWNER)
    first = make(owner, north)
    client_id, page = shown(first, "client-id"), page_of(north)

    second = owner.submit(f"{page}/secret", overlap="day")

    old, new = shown(first, "secret"), shown(second, "secret")
    assert old != new
    assert token_for(client_id, old)
    assert token_for(client_id, new)
    text = text_of(owner.get(page))
    assert f"…{old[-4:]}" in text
    assert f"…{new[-4:]}" in text
    assert "until you end it" in text
    third = owner.submit(f"{page}/secret", overlap="week")
    assert third.status_code == 409
    assert "Two secrets are live already." in text_of(third)
    assert owner.submit(f"{page}/secret", overlap="for ever").status_code == 422
    later(days=1)
    owner = signed_in(north, Role.OWNER)
    assert f"…{old[-4:]}" not in text_of(owner.get(page))


def test_a_secret_is_ended_and_the_program_revoked(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    answer = make(owner, north)
    caller = bearer(token_for(shown(answer, "client-id"), shown(answer, "secret")))
    page = page_of(north)
    with north.reading():
        (secret,) = queries.secrets_of(only_program(north))

    ended = owner.submit(f"{page}/secret/{secret.id}/end")

    assert ended["Location"] == page
    assert caller.read("invoices").status_code == 401
    assert "Ledger has no live secret, so it cannot sign in." in text_of(owner.get(page))
    assert shown(owner.submit(f"{page}/secret", overlap="none"), "secret").startswith("ws_")
    assert owner.submit(f"{page}/revoke")["Location"] == page
    text = text_of(owner.get(page))
    assert "Ledger is revoked since" in text
    assert "Revoked." in text
    assert "Make a new secret" not in text
    assert "Revoked" in text_of(owner.get(f"{programs(north)}/"))
    assert owner.submit(f"{page}/secret", overlap="none").status_code == 409


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OWNER])
def test_only_an_owner_sees_programs(north: Cast, role: Role) -> None:
    make(signed_in(north, Role.OWNER), north)
    page, other = page_of(north), signed_in(north, role)

    assert other.get(f"{programs(north)}/").status_code == 403
    assert other.get(page).status_code == 403
    assert make(other, north).status_code == 403
    assert other.submit(f"{page}/secret", overlap="none").status_code == 403
    assert other.submit(f"{page}/revoke").status_code == 403
    if role is Role.DISPATCHER:
        assert f"{programs(north)}/" not in other.get(f"/{north.operator.slug}/set-up/").content.decode()


def test_the_set_up_leads_an_owner_there(north: Cast) -> None:
    page = signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/set-up/").content.decode()

    assert page.count(f'href="{programs(north)}/"') == 2


def test_a_rivals_program_is_not_there(north: Cast, south: Cast) -> None:
    make(signed_in(north, Role.OWNER), north)
    rival, uuid = signed_in(south, Role.OWNER), only_program(north).uuid
    with north.reading():
        (secret,) = queries.secrets_of(only_program(north))
    theirs = f"{programs(south)}/{uuid}"

    assert rival.get(theirs).status_code == 404
    assert rival.submit(theirs, name="Mine", scopes=["units:read"]).status_code == 404
    assert rival.submit(f"{theirs}/secret", overlap="none").status_code == 404
    assert rival.submit(f"{theirs}/secret/{secret.id}/end").status_code == 404
    assert rival.submit(f"{theirs}/revoke").status_code == 404
    assert rival.get(f"{programs(north)}/").status_code == 404
    assert only_program(north).revoked_at is None


def test_every_scope_stands_on_the_form_once_with_its_sentence(north: Cast) -> None:
    (_, reads), (_, changes) = ProgramForm().groups()

    values = [box.data["value"] for box in [*reads, *changes]]
    assert sorted(values) == sorted(scope.value for scope in PROGRAM_SCOPES)
    assert {box.data["value"] for box in reads} >= {Permission.CHANGES_READ, Permission.UNITS_READ}
    text = text_of(signed_in(north, Role.OWNER).get(f"{programs(north)}/new"))
    assert all(words in text for words in PROGRAM_SCOPES.values())
