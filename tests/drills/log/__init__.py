"""The log's drills, one module each and in this order; ``ONLY=log.following`` runs one of them."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from typing import Any

MODULES = ("following", "feeding", "permuting", "tampering", "restoring")


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """Every module's lines; ``full`` at the stated size."""
    for name in MODULES:
        yield from import_module(f"{__name__}.{name}").run(servers, full=full)
