"""Identifiers: UUIDv7 and label codes.

Outside checks: the UUIDv7 example of RFC 9562, appendix A.6, and published MOD 37,36 strings (a GRid, two ISANs and
test strings of an open ISO 7064 library), both read in public test suites that quote them, not in the standards.
"""

import random
from datetime import UTC, datetime, timedelta, timezone
from uuid import RFC_4122, UUID

import pytest

from accounts import clock
from accounts.ids import (
    LABEL_SYMBOLS,
    check_character,
    is_label_code,
    new_label_code,
    normalise_label_code,
    uuid7,
)

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
RFC_9562_A6 = UUID("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
RFC_9562_A6_AT = datetime(2022, 2, 22, 19, 22, 22, tzinfo=UTC)
RFC_9562_A6_RANDOM = (0xCC3 << 62 | 0x18C4DC0C0C07398F).to_bytes(10, "big")

PUBLISHED = [
    pytest.param("A12425GABC1234002", "M", id="a GRid"),
    pytest.param("B159D8FA01240000", "K", id="an ISAN"),
    pytest.param("00000000C36D002B", "K", id="an ISAN's root"),
    pytest.param("00000000C36D002B00000000", "E", id="the same ISAN with its version"),
    pytest.param("RABD", "A", id="four letters"),
    pytest.param("X0H", "X", id="three symbols"),
    pytest.param("B7Q3SFTUSH2QN7BIXBPMNZAM", "I", id="twenty-four symbols"),
    pytest.param("7K3M9Q2X", "3", id="our own label, value our own"),
]


@pytest.fixture
def drawn_codes():
    draw = random.Random(7).random
    return [new_label_code(draw) for _ in range(120)]


def test_the_example_of_rfc_9562_comes_out():
    assert uuid7(RFC_9562_A6_AT, RFC_9562_A6_RANDOM) == RFC_9562_A6


def test_only_the_74_random_bits_come_from_the_bytes():
    same = uuid7(RFC_9562_A6_AT, bytes([RFC_9562_A6_RANDOM[0] | 0xF0]) + RFC_9562_A6_RANDOM[1:])
    assert same == RFC_9562_A6  # the six topmost of the 80 bits are not used
    assert (
        uuid7(RFC_9562_A6_AT, bytes(10)).int ^ uuid7(RFC_9562_A6_AT, b"\xff" * 10).int
        == 0xFFF << 64 | (1 << 62) - 1
    )


def test_version_variant_and_milliseconds_stand_in_their_places():
    at = datetime(2026, 3, 29, 1, 0, 0, 987_999, tzinfo=UTC)
    made = [uuid7(at) for _ in range(50)]
    assert {one.version for one in made} == {7}
    assert {one.variant for one in made} == {RFC_4122}
    assert {one.int >> 80 for one in made} == {1_774_746_000_987}
    assert len(set(made)) == 50


def test_the_instant_counts_not_the_zone_it_is_written_in():
    at = datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    elsewhere = at.astimezone(timezone(timedelta(hours=-9, minutes=-30)))
    assert uuid7(elsewhere, bytes(10)) == uuid7(at, bytes(10))


def test_ids_of_later_milliseconds_sort_later():
    at = datetime(2026, 1, 1, tzinfo=UTC)
    made = [uuid7(at + timedelta(milliseconds=n)) for n in range(100)]
    assert made == sorted(made)


def test_without_an_instant_the_one_clock_is_read():
    with clock.playing(RFC_9562_A6_AT):
        assert uuid7().int >> 80 == 0x017F22E279B0


@pytest.mark.parametrize(
    ("at", "random_bytes"),
    [
        pytest.param(datetime(2026, 1, 1), bytes(10), id="a naive instant"),  # noqa: DTZ001
        pytest.param(datetime(1969, 12, 31, tzinfo=UTC), bytes(10), id="an instant before 1970"),
        pytest.param(RFC_9562_A6_AT, bytes(9), id="too few bytes"),
        pytest.param(RFC_9562_A6_AT, bytes(16), id="too many bytes"),
    ],
)
def test_a_uuid_cannot_be_made_of(at, random_bytes):
    with pytest.raises(ValueError):
        uuid7(at, random_bytes)


@pytest.mark.parametrize(("text", "check"), PUBLISHED)
def test_the_check_character_of(text, check):
    assert check_character(text) == check


@pytest.mark.parametrize("text", ["7k3m", "7K-3M", "7K 3M", "Ä", "٣"])
def test_no_check_character_for_other_symbols(text):
    with pytest.raises(ValueError, match="0-9 and A-Z"):
        check_character(text)


@pytest.mark.parametrize("code", ["7K3M9Q2X3", "A12425GABC1234002M", "B159D8FA01240000K"])
def test_every_single_wrong_symbol_is_noticed(code):
    wrong = [
        code[:place] + symbol + code[place + 1 :]
        for place in range(len(code))
        for symbol in ALPHABET
        if symbol != code[place]
    ]
    assert len(wrong) == 35 * len(code)
    assert [text for text in wrong if check_character(text[:-1]) == text[-1]] == []


def test_nearly_every_swap_of_neighbours_is_noticed(drawn_codes):
    swapped = [
        code[:place] + code[place + 1] + code[place] + code[place + 2 :]
        for code in drawn_codes
        for place in range(8)
        if code[place] != code[place + 1]
    ]
    missed = [code for code in swapped if is_label_code(code)]
    assert len(swapped) > 900
    assert len(missed) <= len(swapped) * 0.005


def test_a_label_code_is_eight_symbols_and_their_check_character(drawn_codes):
    assert all(is_label_code(code) for code in drawn_codes)
    assert is_label_code("7K3M9Q2X3")


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("7K3M9Q2X4", id="a wrong check character"),
        pytest.param("7K3M9Q2X", id="one symbol short"),
        pytest.param("07K3M9Q2X3", id="one symbol long"),
        pytest.param("7k3m9q2x3", id="lower case"),
        pytest.param("7K3M 9Q2X3", id="a space in it"),
        pytest.param("0000000I" + check_character("0000000I"), id="an I in it, though the check is right"),
        pytest.param("", id="nothing"),
    ],
)
def test_no_label_code_is(text):
    assert not is_label_code(text)


def test_new_codes_use_the_32_symbols_only_and_differ():
    codes = [new_label_code() for _ in range(300)]
    assert set("".join(codes)) <= set(LABEL_SYMBOLS)
    assert set("ILOU").isdisjoint(LABEL_SYMBOLS)
    assert len(set(codes)) == 300
    assert all(is_label_code(code) for code in codes)


@pytest.mark.parametrize("forbidden", ["I", "L", "O", "U"])
def test_a_draw_with_an_unreadable_check_character_is_drawn_again(forbidden):
    tails = [
        (n, m, check_character("000000" + LABEL_SYMBOLS[n] + LABEL_SYMBOLS[m]))
        for n in range(32)
        for m in range(32)
    ]
    bad = next((n, m) for n, m, check in tails if check == forbidden)
    good = next((n, m) for n, m, check in tails if check in LABEL_SYMBOLS)
    draws = iter([*[0.0] * 6, bad[0] / 32, bad[1] / 32, *[0.0] * 6, good[0] / 32, good[1] / 32])
    code = new_label_code(lambda: next(draws))
    assert code[:-1] == "000000" + LABEL_SYMBOLS[good[0]] + LABEL_SYMBOLS[good[1]]
    assert next(draws, "all drawn") == "all drawn"


def test_the_largest_draw_is_the_last_symbol():
    last = next(n for n in range(32) if check_character("ZZZZZZZ" + LABEL_SYMBOLS[n]) in LABEL_SYMBOLS)
    draws = iter([*[1 - 2**-53] * 7, last / 32])
    assert new_label_code(lambda: next(draws))[:-1] == "ZZZZZZZ" + LABEL_SYMBOLS[last]


@pytest.mark.parametrize(
    "typed", ["7k3m9q2x3", " 7K3M 9Q2X 3 ", "7K3M-9Q2X-3", "7k3m\u20139q2x\u20133", "7K3M\u00a09Q2X\u00a03\n"]
)
def test_what_was_typed_reads_like_the_label(typed):
    assert normalise_label_code(typed) == "7K3M9Q2X3"
