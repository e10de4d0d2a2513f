"""Whether words that many read seem to hold a code that opens something. A guess, for a gentle word beside them."""

from __future__ import annotations

import re

# A word for what is opened, in English or German, and shortly after it three digits or more, as codes are written.
_CODE = re.compile(
    r"\b(?:code|pin|alarm|key\s?(?:box|safe)|lock\s?box|combination|password"
    r"|\w*code|alarmanlage|schlüssel(?:box|safe|kasten|tresor)|tresor|zahlenschloss|kennwort|passwort)\b"
    r"[^\n]{0,25}?\d(?:[ .\-]?\d){2,}",
    re.IGNORECASE,
)


def seem_to_hold_a_code(words: str) -> bool:
    return _CODE.search(words) is not None
