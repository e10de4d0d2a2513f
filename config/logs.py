"""What a log line leaves out: the secret part of a link, which opens something to whoever has it."""

from __future__ import annotations

import logging
import re

_LINK = re.compile(r"(/shared/|/invitation/|/sign-in/new-password/[0-9a-f-]+/|/[Rr]/)[^/\s\"']+")


class HideLinks(logging.Filter):
    """Every line as it is, but "/shared/..." or "/r/..." where a link stood in it."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        if _LINK.search(said):
            record.msg, record.args = _LINK.sub(r"\1...", said), None
        return True
