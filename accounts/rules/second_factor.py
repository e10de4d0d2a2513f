"""The second factor: codes that change with the time (RFC 6238), and the recovery codes that stand in for a lost one.

SHA-1, six digits and 30 seconds are what every authenticator reads; RFC 6238 as `cryptography` does it.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Callable
from urllib.parse import quote, urlencode

import segno
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.hotp import HOTP

from accounts.ids import LABEL_SYMBOLS

SECRET_BYTES = 20  # RFC 4226 section 4, R6: 160 bits
DIGITS = 6
STEP_SECONDS = 30
# A code holds for its own step and its neighbours: clocks differ, and people type (RFC 6238 section 5.2).
STEPS_BESIDE = 1

RECOVERY_CODES = 10
FEW_LEFT = 3
# 125 bits: so many that a plain SHA-256 may keep them (OWASP ASVS 5.0.0, 6.5.2: at least 112).
_GROUPS, _GROUP = 5, 5
_READ_AS = str.maketrans("ILO", "110")


def step_at(seconds: float) -> int:
    """The time step of a Unix time."""
    return int(seconds // STEP_SECONDS)


def code_at(secret: bytes, step: int) -> str:
    """The six digits of a step."""
    return HOTP(secret, DIGITS, SHA1()).generate(step).decode()  # noqa: S303 - what authenticators read


def step_of(secret: bytes, typed: str, seconds: float) -> int | None:
    """The step whose code this is, of those that hold at a Unix time, the latest first; None for a wrong or old one."""
    code = digits_of(typed)
    now = step_at(seconds)
    steps = [step for step in range(now - STEPS_BESIDE, now + STEPS_BESIDE + 1) if step >= 0]
    found = [step for step in steps if hmac.compare_digest(code_at(secret, step), code)]
    return max(found, default=None)


def digits_of(typed: str) -> str:
    """A code as typed or copied, without its spaces; "" for what is none."""
    code = "".join(typed.split())
    return code if len(code) == DIGITS and code.isascii() and code.isdecimal() else ""


def text_of(secret: bytes) -> str:
    """A secret as it is typed into an authenticator: base 32 (RFC 4648) in groups of four."""
    text = base64.b32encode(secret).decode().rstrip("=")
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


def address_of(secret: bytes, service: str, person: str) -> str:
    """What the picture says that an authenticator reads."""
    asked = {
        "secret": base64.b32encode(secret).decode().rstrip("="),
        "issuer": service,
        "algorithm": "SHA1",
        "digits": DIGITS,
        "period": STEP_SECONDS,
    }
    return f"otpauth://totp/{quote(service)}:{quote(person)}?{urlencode(asked, quote_via=quote)}"


def picture_of(address: str) -> str:
    """That address as a QR code (ISO/IEC 18004), as a picture in a data: address (RFC 2397)."""
    code = segno.make(address, error="m", micro=False)
    return code.svg_data_uri(scale=5, border=4, dark="#000", light="#fff")


def new_recovery_code(choose: Callable[[str], str]) -> str:
    """A recovery code in groups, its symbols chosen one by one at random from those that are not mistaken for others."""
    groups = ("".join(choose(LABEL_SYMBOLS) for _ in range(_GROUP)) for _ in range(_GROUPS))
    return "-".join(groups)


def recovery_digest(typed: str) -> bytes | None:
    """What a recovery code is kept as, however it was typed; None for what can't be one."""
    symbols = "".join(typed.upper().split()).replace("-", "").translate(_READ_AS)
    if len(symbols) != _GROUPS * _GROUP or set(symbols) - set(LABEL_SYMBOLS):
        return None
    return hashlib.sha256(symbols.encode()).digest()
