"""Changing the key of the environment: one command seals anew whatever the one before sealed."""

from __future__ import annotations

import io

import pytest
from django.core.management import CommandError, call_command

from billing.commands.webhooks import endpoints
from config.management.commands import rewrap_person_keys as command
from servicing.commands.entries import show_code
from servicing.commands.personal import file_text
from servicing.queries import personal
from tests.servicing.coded import CODE, kept, planned


@pytest.fixture
def of_two(north, south, monkeypatch):
    """Other tests leave operators behind in whom a key is lost."""
    monkeypatch.setattr(command.accounts, "operator_ids", lambda: [north.operator.id, south.operator.id])
    monkeypatch.setattr(command, "seal_secrets_anew", lambda: 3)
    return north, south


def run():
    said = io.StringIO()
    call_command("rewrap_person_keys", stdout=said)
    return said.getvalue()


def test_everything_that_was_sealed_opens_with_the_new_key_alone(of_two, settings):
    rows, texts = [], []
    for cast in of_two:
        planned(cast)
        rows.append(kept(cast))
        texts.append(file_text(actor=cast.dispatcher, who="Somebody", said="It smells"))
        endpoints.add_endpoint(actor=cast.owner, url="https://books.quay.example/hooks")
    settings.TEXT_KEY, settings.TEXT_KEY_BEFORE = (
        "a new random text of more than 32 characters",
        settings.SECRET_KEY,
    )

    assert run() == (
        "Sealed by the present WICKROUND_TEXT_KEY: 2 keys of persons, 2 codes of sites, 2 secrets of webhooks, "
        "3 second factors.\n"
    )
    settings.TEXT_KEY_BEFORE = ""

    for cast, row, text in zip(of_two, rows, texts, strict=True):
        assert show_code(actor=cast.crew_phone, site_id=cast.site.id, code_id=row.id).code == CODE
        with cast.reading():
            assert personal.get_text(text.text_id).said == "It smells"
    assert run().startswith("Sealed by the present WICKROUND_TEXT_KEY: 2 keys")


def test_a_key_that_is_missing_is_said_and_ends_it(of_two, settings):
    kept(of_two[1])
    settings.TEXT_KEY = "a new random text of more than 32 characters"

    with pytest.raises(CommandError, match="1 of 1 codes of sites open neither"):
        run()
