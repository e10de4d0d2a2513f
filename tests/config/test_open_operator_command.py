"""``manage.py open_operator``: an operator and its first owner, who signs in with the password given."""

from __future__ import annotations

from uuid import uuid4

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from accounts import queries
from accounts.permissions import Role
from config.management.commands import open_operator
from tests.api.callers import token_for
from tests.cast import PASSWORD


@pytest.fixture
def wanted(database):
    slug = f"opened-{uuid4().hex[:8]}"
    return {
        "slug": slug,
        "name": "North Bank",
        "legal_name": "North Bank Fixture Care",
        "currency": "EUR",
        "zone": "Europe/Berlin",
        "owner_email": f"owner@{slug}.example",
        "owner_name": "Ada Example",
    }


def typed(monkeypatch, *words):
    """What is typed at the terminal, in order."""
    given = iter(words)
    monkeypatch.delenv("WICKROUND_OWNER_PASSWORD", raising=False)
    monkeypatch.setattr(open_operator, "getpass", lambda prompt: next(given))


def roles_of(email):
    return [(one.slug, one.role) for one in queries.memberships_of(queries.get_user_by_email(email).id)]


def test_an_operator_is_opened_with_a_password_from_the_environment(wanted, monkeypatch, capsys):
    monkeypatch.setenv("WICKROUND_OWNER_PASSWORD", PASSWORD)

    call_command("open_operator", **wanted)

    assert f"North Bank is open at /{wanted['slug']}/" in capsys.readouterr().out
    assert roles_of(wanted["owner_email"]) == [(wanted["slug"], Role.OWNER)]
    assert queries.get_user_by_email(wanted["owner_email"]).check_password(PASSWORD)


def test_a_programs_credentials_are_printed_and_let_it_in(wanted, monkeypatch, capsys):
    monkeypatch.setenv("WICKROUND_OWNER_PASSWORD", PASSWORD)

    call_command("open_operator", **wanted, program="First import")

    *_, shown_id, shown_secret = capsys.readouterr().out.splitlines()
    client_id, secret = shown_id.split()[-1], shown_secret.split()[-1]
    client = Client(headers={"authorization": f"Bearer {token_for(client_id, secret)}"})
    body = {"code": "C1", "name": "Quay Schools", "country": "DE"}
    answer = client.post("/api/v1/customers", body, content_type="application/json", secure=True)
    assert answer.status_code == 201
    assert client.get("/api/v1/operator", secure=True).json()["slug"] == wanted["slug"]


def test_an_operator_is_opened_with_a_password_typed_twice(wanted, monkeypatch):
    typed(monkeypatch, PASSWORD, PASSWORD)

    call_command("open_operator", **wanted)

    assert queries.get_user_by_email(wanted["owner_email"]).check_password(PASSWORD)


def test_a_person_who_signs_in_already_owns_another_operator_with_the_same_password(wanted, monkeypatch):
    typed(monkeypatch, PASSWORD, PASSWORD)
    call_command("open_operator", **wanted)
    second = {**wanted, "slug": wanted["slug"] + "-b", "owner_email": wanted["owner_email"].upper()}

    call_command("open_operator", **second)

    assert {slug for slug, _ in roles_of(wanted["owner_email"])} == {wanted["slug"], second["slug"]}
    with pytest.raises(CommandError, match="exists already"):
        call_command("open_operator", **wanted)


def test_passwords_that_differ_or_are_weak_make_nothing(wanted, monkeypatch):
    typed(monkeypatch, PASSWORD, "another phrase", "password", "password")

    with pytest.raises(CommandError, match="differ"):
        call_command("open_operator", **wanted)
    with pytest.raises(CommandError, match=r"Choose another password\. .*too"):
        call_command("open_operator", **wanted)

    assert queries.get_user_by_email(wanted["owner_email"]) is None
    assert queries.operator_ids(wanted["slug"]) == []


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"slug": "api"}, "product's own"),
        ({"slug": "No Address"}, "Slug"),
        ({"zone": "Europe/Nowhere"}, "no time zone"),
        ({"currency": "Euro"}, "ISO 4217"),
        ({"legal_name": "N" * 201}, "Legal name"),
        ({"owner_email": "nobody"}, "Email"),
    ],
)
def test_what_can_not_be_is_refused_in_a_sentence(wanted, monkeypatch, change, match):
    monkeypatch.setenv("WICKROUND_OWNER_PASSWORD", PASSWORD)

    with pytest.raises(CommandError, match=match) as refusal:
        call_command("open_operator", **{**wanted, **change})

    assert "\n" not in str(refusal.value)
    assert queries.operator_ids(wanted["slug"]) == []
