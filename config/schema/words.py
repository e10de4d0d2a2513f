"""The document's own words: the first sentence as a title, and always in English, whoever asks."""

from __future__ import annotations

import inspect
import re
from typing import Any

from accounts import doors

# What every door inherits says what a door is, not what this one answers.
_GENERAL = {inspect.getdoc(kind) for kind in vars(doors).values() if inspect.isclass(kind)}


def plain(words: Any) -> str:
    """A text, or what stands for one until it is known who reads it."""
    return str(words)


def said_of(view: Any, method: str) -> str:
    """What a view says of one of its methods; empty when only its bases say something."""
    handler = getattr(view, method.lower(), None)
    for source in (handler, type(view)):
        text = inspect.getdoc(source) if source is not None else None
        if text and text not in _GENERAL:
            return re.sub(r"``", "`", text)
    return ""


def is_general(text: str | None) -> bool:
    """Whether a description is one of the bases', which says nothing of what inherits it."""
    return text is None or text in _GENERAL
