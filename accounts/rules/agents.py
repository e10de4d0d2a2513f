"""What a browser says it is, in words a person knows it again by.

By the form of the header alone (RFC 9110, 10.1.5: products with versions, and comments in brackets), without a list of
browsers, which would be old the day after.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_PRODUCT = re.compile(r"([^\s/()]+)/([^\s()]+)")
_COMMENT = re.compile(r"\(([^()]*)\)")
# Products that are none: the version of a browser that comes with its engine, and that it is held in a hand.
_VERSION = "Version"
_SAYS_MORE = {_VERSION, "Mobile"}
_SYSTEM_PARTS = 2
_MOST = 60


@dataclass(frozen=True, slots=True)
class Agent:
    """``program``: its name with the number before the first dot of its version. ``system``: what it runs on. "" for not said."""

    program: str
    system: str
    is_handheld: bool


def read_agent(agent: str) -> Agent:
    """What a User-Agent header says. Whatever is in it, the parts are short and of printable characters."""
    comment = _COMMENT.search(agent)
    said = [part.strip() for part in comment[1].split(";")] if comment else []
    # "rv:..." and the like are about the engine.
    system = [part for part in said if part and ":" not in part][:_SYSTEM_PARTS]
    return Agent(_shown(_program(agent)), _shown(", ".join(system)), "Mobi" in agent)


def _program(agent: str) -> str:
    """The product that matters: by habit the last, but not one that only repeats the version of the engine.

    Browsers name what they are compatible with first, then, after the comment, their engine, and themselves.
    """
    named = _PRODUCT.findall(_COMMENT.sub(" ", agent))
    if not named:
        return ""
    after = _PRODUCT.findall(_COMMENT.sub(" ", agent.partition(")")[2])) or named
    engine, *rest = after
    others = [one for one in rest if one[1] != engine[1]]
    own = [one for one in others if one[0] not in _SAYS_MORE]
    name, version = (own or rest or [engine])[-1]
    version = dict(others).get(_VERSION, version)
    return f"{name} {version.split('.')[0]}"


def _shown(text: str) -> str:
    return "".join(character for character in text if character.isprintable())[:_MOST].strip()
