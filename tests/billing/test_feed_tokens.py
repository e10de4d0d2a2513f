"""Tokens of the feed: what was written is read, a slip is found, and another's is refused."""

from __future__ import annotations

import base64
import hashlib
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.rules.feed_tokens import (
    EPOCH_BYTES,
    KINDS,
    MOST_POSITION,
    TOKEN_LENGTH,
    FeedToken,
    TokenWriter,
    UnreadableToken,
    epoch_of,
    read_token,
)

NORTH, SOUTH = UUID(int=1), UUID(int=2)
EPOCH = b"12345678"


@given(
    st.uuids(),
    st.binary(min_size=EPOCH_BYTES, max_size=EPOCH_BYTES),
    st.integers(0, MOST_POSITION),
    st.frozensets(st.sampled_from(KINDS)),
)
def test_what_is_written_is_read(operator, epoch, position, kinds):
    text = TokenWriter(operator, epoch, kinds)(position)

    assert len(text) == TOKEN_LENGTH
    assert set(text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
    assert read_token(text, operator) == FeedToken(epoch, position, kinds)


@given(st.text(max_size=2 * TOKEN_LENGTH) | st.text("AB-_=", min_size=TOKEN_LENGTH, max_size=TOKEN_LENGTH))
def test_any_other_text_is_refused(text):
    with pytest.raises(UnreadableToken):
        read_token(text, NORTH)


@given(st.integers(0, MOST_POSITION), st.integers(0, TOKEN_LENGTH - 1), st.sampled_from("AZaz09-_"))
def test_a_slip_in_one_character_is_found(position, at, character):
    text = TokenWriter(NORTH, EPOCH)(position)
    other = text[:at] + character + text[at + 1 :]
    if other == text:
        return
    with pytest.raises(UnreadableToken):
        read_token(other, NORTH)


def test_a_token_is_of_one_operator():
    with pytest.raises(UnreadableToken):
        read_token(TokenWriter(NORTH, EPOCH)(7), SOUTH)


def test_the_form_is_fixed_tokens_are_stored_for_years():
    """Version 1, by hand: a byte, one of the kinds, eight of the epoch, eight of the position, six of a SHA-256 over the operator too."""
    body = b"\x01\x7f" + EPOCH + (7).to_bytes(8, "big")
    check = hashlib.sha256(NORTH.bytes + body).digest()[:6]
    text = base64.urlsafe_b64encode(body + check).decode()

    assert TokenWriter(NORTH, EPOCH)(7) == text == "AX8xMjM0NTY3OAAAAAAAAAAHLotXvlu6"
    assert read_token(text, NORTH) == FeedToken(EPOCH, 7, frozenset(KINDS))


def test_a_later_version_is_refused_and_so_is_a_position_below_nothing():
    for body in (b"\x02\x7f" + EPOCH + bytes(8), b"\x01\x7f" + EPOCH + b"\xff" * 8):
        check = hashlib.sha256(NORTH.bytes + body).digest()[:6]
        with pytest.raises(UnreadableToken):
            read_token(base64.urlsafe_b64encode(body + check).decode(), NORTH)


def test_histories_are_told_apart():
    assert epoch_of(1, "00000001", 2, 3) == epoch_of(1, "00000001", 2, 3)
    assert (
        len({epoch_of(1, "00000001", 2, 3), epoch_of(2, "00000001", 2, 3), epoch_of(1, "00000002", 2, 3)})
        == 3
    )
