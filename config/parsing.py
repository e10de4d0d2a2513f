"""The one reader of JSON bodies: bounded, and strict where lenient readers differ from each other."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from math import isfinite
from typing import IO, Any

from django.conf import settings
from rest_framework.parsers import BaseParser

from accounts.errors import BadInput, TooLarge

_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")


class StrictJson(BaseParser):
    """I-JSON (RFC 7493) only: UTF-8, no NaN or Infinity, no name twice in an object, no half of a surrogate pair."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        return read_json(_read_bounded(stream, parser_context or {}))


def _read_bounded(stream: IO[Any], context: Mapping[str, Any]) -> bytes:
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    request = context.get("request")
    declared = int(request.META.get("CONTENT_LENGTH") or 0) if request is not None else 0
    # One byte more than allowed tells a body that is longer than it said.
    body = b"" if declared > most else stream.read(most + 1)
    if declared > most or len(body) > most:
        raise TooLarge(f"A body may have up to {most} bytes. Nothing was stored; send it in parts.")
    return body


def read_json(body: bytes) -> Any:
    """The value of a JSON text; BadInput (malformed-json) for anything else."""
    try:
        value = json.loads(
            body.decode(),
            object_pairs_hook=_once_each,
            parse_constant=_no_constant,
            parse_float=_finite,
        )
        if _SURROGATE.search(body):
            json.dumps(value, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as wrong:
        reason = "it is nested too deeply" if isinstance(wrong, RecursionError) else _reason(wrong)
        raise BadInput(f"The body could not be read as JSON: {reason}.", code="malformed-json") from None
    return value


def _reason(wrong: ValueError) -> str:
    if isinstance(wrong, json.JSONDecodeError):
        return f"line {wrong.lineno}, column {wrong.colno}"
    if isinstance(wrong, UnicodeError):
        return "it is not UTF-8, or has half a character"
    return str(wrong) if isinstance(wrong, _Unclear) else "a number is too long"


class _Unclear(ValueError):
    """JSON that two readers would understand differently."""


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    read = dict(pairs)
    if len(read) != len(pairs):
        raise _Unclear("an object has the same name twice")
    return read


def _no_constant(word: str) -> Any:
    raise _Unclear("NaN and Infinity are not numbers of JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not isfinite(number):
        raise _Unclear("a number is out of range")
    return number
