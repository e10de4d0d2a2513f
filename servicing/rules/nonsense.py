"""What a computation refuses: input that no unit, wick or visit can have given."""

from __future__ import annotations


class Nonsense(ValueError):
    """The input contradicts itself or the physics; the message says what and where."""
