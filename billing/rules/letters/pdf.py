"""Documents as PDF."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def render(document: Mapping[str, Any]) -> bytes:
    """The letter, the same bytes for the same document."""
    import typst  # noqa: PLC0415

    return typst.compile(b"#set document(date: none)\nsoon", format="pdf", ignore_system_fonts=True)
