"""``manage.py erase_person``: what the owner's page does, on the command line."""

from __future__ import annotations

import io

import pytest
from django.core.management import CommandError, call_command

from servicing.queries import personal
from tests.servicing.quoting import reported


def run(*words: str) -> str:
    out = io.StringIO()
    call_command("erase_person", *words, stdout=out)
    return out.getvalue()


def test_the_command_erases_a_person_and_says_what_to_keep(north, south):
    _, text = reported(north)
    person = str(text.person_id)

    with pytest.raises(CommandError, match="Nobody with this id"):
        run("--operator", south.operator.slug, "--yes", person)
    with pytest.raises(CommandError, match="no operator"):
        run("--operator", "no-such-operator", "--yes", person)
    said = run("--operator", north.operator.slug, "--yes", person)

    assert said.startswith(f"1 texts of {person} were erased for good.")
    with north.reading():
        assert personal.get_text(text.text_id).state == "erased"


def test_the_command_asks_first(north, monkeypatch):
    _, text = reported(north)
    words = ["--operator", north.operator.slug, str(text.person_id)]

    monkeypatch.setattr("builtins.input", lambda _: "no")
    with pytest.raises(CommandError, match="Nothing was erased"):
        run(*words)
    monkeypatch.setattr("builtins.input", lambda _: "yes")

    assert "erased for good" in run(*words)
