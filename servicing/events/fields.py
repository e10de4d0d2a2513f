"""Readers for the fields of an event's payload: each takes a JSON value and gives a plain Python value or says what is wrong."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any
from uuid import UUID

MAX_ML = (
    20_000  # more than any cartridge or reservoir of the trade holds; a larger entry is a slip of the finger
)
DIGEST = re.compile(r"[0-9a-f]{64}\Z")
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}\Z")


@lru_cache(maxsize=4_096)
def id_of(text: str) -> UUID:
    """An id from its text; an upload names the same ones again and again. ValueError for what is none."""
    return UUID(text)


class Unreadable(ValueError):
    """A payload field that can't be what it says; the text is for the sender."""


Reader = Callable[[Any], Any]


def _field(read: Reader, *, optional: bool, load: Reader | None = None, choices: tuple[str, ...] = ()) -> Any:
    """``read`` takes what is sent, ``load`` what was read before and stored; None: that is the value itself.

    ``choices`` are the words it may be, for forms.
    """
    metadata = {"read": read, "load": load, "optional": optional, "choices": choices}
    return (
        dataclasses.field(default=None, metadata=metadata)
        if optional
        else dataclasses.field(metadata=metadata)
    )


def ml(*, optional: bool = False, least: int = 0) -> Any:
    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise Unreadable("a volume is a whole number of mL")
        if not least <= value <= MAX_ML:
            raise Unreadable(f"a volume lies between {least} and {MAX_ML} mL")
        return value

    return _field(read, optional=optional)


def count(*, optional: bool = False, most: int = 10_000) -> Any:
    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
            raise Unreadable(f"a count is a whole number from 0 to {most}")
        return value

    return _field(read, optional=optional)


def ref(*, optional: bool = False) -> Any:
    def read(value: Any) -> UUID:
        try:
            return id_of(value) if isinstance(value, str) else _refuse("an id is a UUID in a string")
        except ValueError:
            raise Unreadable("an id is a UUID in a string") from None

    return _field(read, optional=optional, load=id_of)


def word(*choices: str, optional: bool = False) -> Any:
    def read(value: Any) -> str:
        if value not in choices:
            raise Unreadable("one of " + ", ".join(choices))
        return str(value)

    return _field(read, optional=optional, choices=choices)


def code(*, optional: bool = False) -> Any:
    def read(value: Any) -> str:
        if not isinstance(value, str) or not CODE.match(value):
            raise Unreadable("a code has 1 to 40 letters, digits, dots, dashes, slashes or underscores")
        return value

    return _field(read, optional=optional)


def digest(*, optional: bool = False) -> Any:
    """A SHA-256, as 64 hexadecimal digits in small letters."""

    def read(value: Any) -> str:
        if not isinstance(value, str) or not DIGEST.match(value):
            raise Unreadable("a SHA-256 has 64 hexadecimal digits in small letters")
        return value

    return _field(read, optional=optional)


def flag(*, optional: bool = False) -> Any:
    def read(value: Any) -> bool:
        return value if isinstance(value, bool) else _refuse("true or false")

    return _field(read, optional=optional)


def day(*, optional: bool = False) -> Any:
    def read(value: Any) -> date:
        try:
            return date.fromisoformat(value) if isinstance(value, str) else _refuse("a date is YYYY-MM-DD")
        except ValueError:
            raise Unreadable("a date is YYYY-MM-DD") from None

    return _field(read, optional=optional, load=date.fromisoformat)


def dose(*, optional: bool = False) -> Any:
    def read(value: Any) -> Decimal:
        try:
            number = Decimal(value) if isinstance(value, str) else _refuse("a dose is a decimal in a string")
        except InvalidOperation:
            raise Unreadable("a dose is a decimal in a string") from None
        if not number.is_finite() or not Decimal("0.1") <= number <= Decimal(500):
            raise Unreadable("a dose lies between 0.1 and 500 mL a day")
        return number.quantize(Decimal("0.001")).normalize()

    return _field(read, optional=optional, load=read)


def _refuse(text: str) -> Any:
    raise Unreadable(text)


def to_json(value: Any) -> Any:
    """The one JSON form of a field's value: ids and dates as text, decimals as plain text, never a float."""
    if isinstance(value, UUID | date):
        return str(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    return value
