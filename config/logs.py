"""What a log line leaves out: the signed part of a link, which opens a customer's document to whoever has it."""

from __future__ import annotations

import logging
import re

_LINK = re.compile(r"(/shared/)[^/\s\"']+")


class HideLinks(logging.Filter):
    """Every line as it is, but "/shared/..." where a link stood in it."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        if "/shared/" in said:
            record.msg, record.args = _LINK.sub(r"\1...", said), None
        return True
