"""Tokens of links: how they follow from an id, how they are read, and the whiles in which they are counted."""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from accounts.ids import LABEL_SYMBOLS, uuid7
from servicing.rules.codes import code_of, code_svg
from servicing.rules.link_tokens import LIMITS, Limit, digest_of, read_token, token_for, while_of

KEY = b"a key that only this test knows"
LINK = UUID("0190c7a2-0000-7000-8000-000000000001")
BASE32 = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"  # RFC 4648, section 6


def test_a_token_is_the_first_hundred_bits_in_base_32():
    """Against the base 32 of RFC 4648 in Python's library: twelve and a half bytes are twenty symbols, in our letters."""
    mac = hmac.new(KEY, LINK.bytes, hashlib.sha256).digest()
    theirs = base64.b32encode(mac)[:20].decode()

    assert token_for(KEY, LINK) == theirs.translate(str.maketrans(BASE32, LABEL_SYMBOLS))


def test_the_digest_is_sha_256():
    """The example "abc" of FIPS 180-4 (SHA-256 example 1)."""
    assert digest_of("abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_tokens_of_two_links_and_of_two_keys_have_nothing_in_common():
    tokens = {token_for(KEY, uuid7()) for _ in range(1_000)}

    assert len(tokens) == 1_000
    assert token_for(KEY, LINK) != token_for(b"another key", LINK)
    # Drawn evenly: each of 32 symbols comes 625 times in 20,000, with a standard deviation of 25.
    counts = {symbol: sum(token.count(symbol) for token in tokens) for symbol in LABEL_SYMBOLS}
    assert all(450 < count < 800 for count in counts.values())


def test_a_token_is_read_in_any_spelling_and_nothing_else_is():
    token = token_for(KEY, LINK)

    assert read_token(token.lower()) == read_token(f" {token[:10]}-{token[10:]} ") == token
    assert [read_token(odd) for odd in ("", token[:-1], token + "A", "I" * 20, "Ä" * 20, "0" * 19 + "/")] == [
        ""
    ] * 6


@pytest.mark.parametrize("seconds", [60, 3_600])
def test_a_while_ends_when_it_says(seconds):
    limit = Limit(5, seconds)
    at = datetime(2026, 6, 15, 12, 34, 56, 789_000, tzinfo=UTC)

    began, left = while_of(limit, at)

    assert began <= at < began + timedelta(seconds=seconds)
    assert while_of(limit, at + timedelta(seconds=left))[0] == began + timedelta(seconds=seconds)
    assert while_of(limit, at + timedelta(seconds=left - 1))[0] == began


def test_reports_are_limited_much_more_than_looks():
    assert (
        LIMITS["report"].most / LIMITS["report"].seconds < LIMITS["open"].most / LIMITS["open"].seconds / 100
    )


def test_the_code_beside_a_door_is_the_smallest_at_the_highest_level():
    """ISO/IEC 18004, table 7 (from memory): version 4 at level H holds 50 alphanumeric characters, version 3 holds 35."""
    code = code_of(f"https://app.example.org/r/{token_for(KEY, LINK)}")

    assert (code.version, code.error, code.mode) == (4, "H", "alphanumeric")
    # Printed 45 mm wide with its quiet zone, a module is 1.1 mm; 0.5 mm are asked for.
    assert 45 / code.symbol_size(border=4)[0] > 0.5


def test_a_code_for_a_page_carries_its_title_and_no_style():
    svg = code_svg("http://127.0.0.1:8000/R/7K3M9Q2X37K3M9Q2X3AB", 'Code of "Ground <floor>"')

    assert "<title>Code of &quot;Ground &lt;floor&gt;&quot;</title>" in svg or "&lt;floor&gt;" in svg
    assert "style=" not in svg
    with pytest.raises(ValueError, match="alphanumeric"):
        code_of("https://app.example.org/r/~")
