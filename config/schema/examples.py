"""Examples of requests and answers, as a test makes them by real calls to an invented operator (`tests/api/examples/`)."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parent / "examples"


@cache
def stored() -> dict[str, dict[str, Any]]:
    """By operation: ``request`` and ``answer``, or neither where it has none."""
    found: dict[str, dict[str, Any]] = {}
    for path in sorted(FOLDER.glob("*.json")):
        found.update(json.loads(path.read_text()))
    return found


def put_into(operation: dict[str, Any]) -> None:
    """Put an operation's examples beside its schemas."""
    example = stored().get(operation["operationId"], {})
    if "request" in example:
        _put(operation["requestBody"]["content"], example["request"])
    if "answer" in example:
        status = next(code for code in operation["responses"] if code.startswith("2"))
        _put(operation["responses"][status].get("content", {}), example["answer"])
        if status != "202" and "202" in operation["responses"]:
            # Whoever would rather not wait is given the work.
            _put(operation["responses"]["202"].get("content", {}), stored()["get_work"]["answer"])


def _put(content: dict[str, Any], value: Any) -> None:
    """Beside the media type it is of: JSON, or the only one there is."""
    media = "application/json" if "application/json" in content else next(iter(content), None)
    if media is not None and (media == "application/json" or isinstance(value, str)):
        content[media]["example"] = value
