"""The scan for credentials at the end of a run finds one wherever it may stand, and what it notes is what is made."""

from __future__ import annotations

import logging

import pytest

from accounts.commands import clients, operators
from accounts.permissions import PROGRAM_SCOPES
from servicing.commands import entries
from tests.cast import PASSWORD, Cast
from tests.conftest import NOTED
from tests.leaks import Noted, found_in, log_to, summary

WORD = "Qk3v_9Zr-TtY0aBcDeFgHiJkLmNoPqRsTuVwXyZ0123"


@pytest.fixture
def noted() -> Noted:
    made = Noted()
    made.note("token", f"wr_{WORD}")
    made.note("password", "a phrase of several words")
    made.note("short", "4711")
    made.note("address", "somebody@quay.example")
    return made


@pytest.mark.parametrize(
    "row",
    [
        f'7\t{{"token": "wr_{WORD}"}}\n',
        f"GET /x?token=wr_{WORD}&y=1 HTTP/1.1\n",
        f"7\t\\\\x{('so: wr_' + WORD + '.').encode().hex()}\n",
        "7\tthey chose a phrase of several words, they said\n",
    ],
)
def test_a_credential_is_found_as_text_in_an_address_in_bytes_and_in_a_sentence(
    noted: Noted, row: str
) -> None:
    lines = [b"COPY public.accounts_site (id, access) FROM stdin;\n", row.encode(), b"\\.\n"]

    (where,) = found_in(lines, noted)

    assert where.endswith("in public.accounts_site")


def test_what_only_looks_like_one_is_left_alone(noted: Noted) -> None:
    lines = [f"wr_{WORD[:-1]} 4711 somebody@quay.example a phrase of several".encode()]

    assert found_in(lines, noted) == {}


def test_the_run_notes_what_is_made(north: Cast) -> None:
    client, secret = clients.make_client(actor=north.owner, name="Noted", scopes=PROGRAM_SCOPES)
    _phone, token = operators.register_device(actor=north.owner, crew_id=north.crew.id, label="Noted")
    entries.set_code(actor=north.dispatcher, site_id=north.site.id, label="Key box", code="blue-heron-2231")

    assert NOTED.words[secret.removeprefix("ws_").encode()] == "token"
    assert NOTED.words[token.removeprefix("wr_").encode()] == "token"
    assert NOTED.words[b"blue-heron-2231"] == "entry code"
    assert PASSWORD.encode() in NOTED.phrases
    assert client.client_id.encode() not in NOTED.words


def test_a_log_line_is_read_as_production_writes_it(noted: Noted, tmp_path) -> None:
    handler = log_to(tmp_path / "a.log")
    try:
        logging.getLogger("wickround.requests").warning("asked /invitation/wr_%s", WORD)
        logging.getLogger("wickround.requests").warning("said wr_%s", WORD)
    finally:
        logging.getLogger().removeHandler(handler)
        handler.close()

    with (tmp_path / "a.log").open("rb") as lines:
        assert found_in(lines, noted) == {"token in the log": 1}


def test_the_summary_names_what_was_found_and_where() -> None:
    said = [
        {"made": {"token": 2}, "found": {}, "dump": 1_000_000, "log": 0},
        {
            "made": {"token": 1},
            "found": {"token in public.accounts_site": 1},
            "dump": 1_000_000,
            "log": 500_000,
        },
    ]

    assert summary(said) == [
        "credentials and entry codes: 3 made (3 of kind token); 1 found in 2 MB of dumps and logs",
        "LEAK: token in public.accounts_site, 1 times",
    ]
    assert summary([]) == []
