"""XML as text: leaves and groups of UBL, each on a line of its own, and nothing for what is empty."""

from __future__ import annotations

import re
from functools import lru_cache
from xml.sax.saxutils import escape

CAC = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"
CBC = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"
ROOTS = {
    "Invoice": "urn:oasis:names:specification:ubl:schema:xsd:Invoice-2",
    "CreditNote": "urn:oasis:names:specification:ubl:schema:xsd:CreditNote-2",
}
# What XML 1.0 can't hold.
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def said(text: str | None) -> str:
    """The text on one line, without what XML can't hold; "" for none."""
    if not text:
        return ""
    return " ".join(_FORBIDDEN.sub(" ", text).split())


@lru_cache(maxsize=8192)
def _escaped(text: str) -> str:
    """Most texts of a document are those of the line before."""
    return escape(said(text))


def leaf(name: str, text: str | None, attributes: str = "") -> str:
    """``<cbc:name attributes>text</cbc:name>``, or nothing without a text."""
    content = _escaped(text) if text else ""
    if not content:
        return ""
    space = " " if attributes else ""
    return f"<cbc:{name}{space}{attributes}>{content}</cbc:{name}>\n"


def group(name: str, *parts: str) -> str:
    """``<cac:name>parts</cac:name>``, or nothing when all parts are empty."""
    content = "".join(parts)
    return f"<cac:{name}>\n{content}</cac:{name}>\n" if content else ""


def amount(name: str, text: str, currency: str) -> str:
    return leaf(name, text, f'currencyID="{currency}"')


def root(name: str, *parts: str) -> bytes:
    """The whole document in UTF-8."""
    head = f'<?xml version="1.0" encoding="UTF-8"?>\n<{name} xmlns="{ROOTS[name]}" xmlns:cac="{CAC}" xmlns:cbc="{CBC}">\n'
    return "".join((head, *parts, f"</{name}>\n")).encode()
