"""Codes that change with the time, against the tables of their standards and another implementation; and recovery codes."""

from __future__ import annotations

import base64
import secrets
from urllib.parse import parse_qs, urlsplit

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from hypothesis import given as over
from hypothesis import strategies as st

from accounts.rules import second_factor as rules

# RFC 4226 appendix D and RFC 6238 appendix B: the secret of their tables.
RFC_SECRET = b"12345678901234567890"


@pytest.mark.parametrize(
    ("counter", "code"),
    list(enumerate(
        (
            "755224", "287082", "359152", "969429", "338314",
            "254676", "287922", "162583", "399871", "520489",
        )
    )),
)  # fmt: skip
def test_codes_are_those_of_rfc_4226_appendix_d(counter: int, code: str) -> None:
    assert rules.code_at(RFC_SECRET, counter) == code


@pytest.mark.parametrize(
    ("seconds", "eight_digits"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_change_with_the_time_as_in_rfc_6238_appendix_b(seconds: int, eight_digits: str) -> None:
    # Its table has eight digits; six are the same number modulo a million (RFC 4226 section 5.3).
    step = rules.step_at(seconds)
    assert rules.code_at(RFC_SECRET, step) == eight_digits[2:]
    assert rules.step_of(RFC_SECRET, eight_digits[2:], seconds) == step


def test_a_code_holds_for_its_own_step_and_one_beside_it() -> None:
    step = rules.step_at(1_234_567_890)
    code = rules.code_at(RFC_SECRET, step)
    held = [at for at in range(step - 3, step + 4) if rules.step_of(RFC_SECRET, code, at * 30) is not None]
    assert held == [step - 1, step, step + 1]
    assert rules.step_of(RFC_SECRET, f" {code[:3]} {code[3:]} ", 1_234_567_890) == step
    for typed in ("", code[:5], code + "0", "12345x", "१२३४५६"):
        assert rules.step_of(RFC_SECRET, typed, 1_234_567_890) is None
    assert rules.step_of(RFC_SECRET, rules.code_at(RFC_SECRET, 0), 0) == 0


@over(st.binary(min_size=20, max_size=20), st.integers(30, 4_000_000_000))
def test_codes_are_those_of_another_implementation(secret: bytes, seconds: int) -> None:
    # `cryptography` has RFC 6238 as a whole; ours counts steps and uses its RFC 4226 alone.
    code = TOTP(secret, 6, SHA1(), 30).generate(seconds).decode()
    step = rules.step_of(secret, code, seconds)
    assert step is not None
    assert abs(step - seconds // 30) <= 1
    assert rules.code_at(secret, step) == code


def test_an_authenticator_reads_the_same_secret_from_the_picture_and_the_text() -> None:
    secret = secrets.token_bytes(20)
    address = urlsplit(rules.address_of(secret, "Wickround", "jo+on call@north.example"))
    assert (address.scheme, address.netloc) == ("otpauth", "totp")
    assert address.path == "/Wickround:jo%2Bon%20call%40north.example"
    asked = {name: value[0] for name, value in parse_qs(address.query).items()}
    assert asked["issuer"] == "Wickround"
    assert (asked["algorithm"], asked["digits"], asked["period"]) == ("SHA1", "6", "30")
    assert base64.b32decode(asked["secret"]) == secret
    assert rules.text_of(secret).replace(" ", "") == asked["secret"]
    picture = rules.picture_of(address.geturl())
    assert picture.startswith("data:image/svg+xml")
    assert address.geturl() not in picture


def test_recovery_codes_are_long_and_read_however_they_are_typed() -> None:
    codes = {rules.new_recovery_code(secrets.choice) for _ in range(200)}
    assert len(codes) == 200
    for code in codes:
        assert [len(group) for group in code.split("-")] == [5] * 5
        assert not set(code) & set("ILOU")
    # 25 of 32 symbols: more than the 112 bits from which on a plain hash will do.
    assert 32**25 >= 2**112
    code = "01ABC-DEFGH-JKMNP-QRSTV-WXYZ2"
    kept = rules.recovery_digest(code)
    assert kept is not None
    assert len(kept) == 32
    for typed in (
        code.lower(),
        f" {code} ",
        code.replace("-", ""),
        code.replace("-", " "),
        "o" + "l" + code[2:],
    ):
        assert rules.recovery_digest(typed) == kept
    for typed in ("", code[:-1], code + "2", code.replace("A", "U"), "123456"):
        assert rules.recovery_digest(typed) is None
