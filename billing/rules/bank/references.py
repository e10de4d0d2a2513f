"""The creditor reference of ISO 11649: a payer quotes it, and a slip of the pen in it shows.

"RF", two check digits, and up to 21 letters and digits. The check digits are those of ISO/IEC 7064, MOD 97-10: letters
count 10 to 35, and the reference with "RF" and the digits moved to its end leaves 1 when it is divided by 97.
"""

from __future__ import annotations

import re

MOST = 21  # letters and digits after the check digits
_SHAPE = re.compile(rf"RF[0-9]{{2}}[0-9A-Z]{{1,{MOST}}}")
_PRINTED_IN = 4  # characters a group


def plain(text: str) -> str:
    """Only the letters and digits of ASCII, in capitals: how numbers are compared, whatever stands between their parts."""
    return "".join(sign for sign in text if sign.isascii() and sign.isalnum()).upper()


def rf_reference(number: str) -> str:
    """The creditor reference of a document's number; "" for one of which nothing is left, or too much."""
    own = plain(number)
    if not 0 < len(own) <= MOST:
        return ""
    return f"RF{98 - _rest(own + 'RF00'):02d}{own}"


def parsed(text: str) -> str:
    """What a creditor reference refers to, without leading zeros; "" where the text is no valid reference."""
    reference = "".join(text.split()).upper()
    if not _SHAPE.fullmatch(reference) or _rest(reference[4:] + reference[:4]) != 1:
        return ""
    return reference[4:].lstrip("0") or "0"


def is_reference(text: str) -> bool:
    """Whether a text is a creditor reference whose check digits are right."""
    return parsed(text) != ""


def printed(reference: str) -> str:
    """A reference as it is printed: in groups of four."""
    return " ".join(reference[at : at + _PRINTED_IN] for at in range(0, len(reference), _PRINTED_IN))


def _rest(text: str) -> int:
    """What division by 97 leaves of letters and digits, a letter counting 10 to 35."""
    return int("".join(str(int(sign, 36)) for sign in text)) % 97
