"""What a log line says besides, and what it leaves out: the secret part of a link, which opens something to whoever has it."""

from __future__ import annotations

import logging
import re

from accounts import origin

_LINK = re.compile(r"(/shared/|/invitation/|/sign-in/new-password/[0-9a-f-]+/|/[Rr]/)[^/\s\"']+")
# A line of the log is one entry: nobody who is quoted in it begins another (OWASP ASVS 5.0.0, 16.4.1).
_CONTROL = {code: f"\\x{code:02x}" for code in (*range(32), 127, 0x85, 0x2028, 0x2029)}


class HideLinks(logging.Filter):
    """Every line as it is, but "/shared/..." or "/r/..." where a link stood in it, and control characters spelt out."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        clean = _LINK.sub(r"\1...", said).translate(_CONTROL)
        if clean != said:
            record.msg, record.args = clean, None
        return True


class SayOrigin(logging.Filter):
    """``record.origin``: the request's id, its address, its door and who acts, as far as they are known."""

    def filter(self, record: logging.LogRecord) -> bool:
        now = origin.current()
        known = (("request", now.request_id), ("from", now.address), ("door", now.door), ("by", now.who))
        record.origin = (
            " ".join(f"{name}={str(value).replace(' ', '+')}" for name, value in known if value) or "-"
        )
        return True
