"""From a stored or sent payload to its dataclass, and back to its one JSON form."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Mapping
from typing import Any

from accounts.errors import Problem, pointer_to
from servicing.events import types
from servicing.events.fields import Unreadable, to_json
from servicing.events.types import EventType, Payload

PAYLOADS: dict[EventType, type[Payload]] = {
    cls.TYPE: cls
    for cls in vars(types).values()
    if isinstance(cls, type) and issubclass(cls, Payload) and cls is not Payload
}

# (type, version N) -> a pure function from the payload of version N to that of N + 1.
UPCASTERS: dict[tuple[EventType, int], Callable[[dict[str, Any]], dict[str, Any]]] = {
    # Version 2 may name a text of whoever said it; version 1 named none.
    (EventType.REPORT_RECEIVED, 1): lambda old: old,
}


def gaps_in_versions(
    payloads: Mapping[EventType, type[Payload]], upcasters: Collection[tuple[EventType, int]]
) -> list[str]:
    """What is missing for every version ever written to stay readable, as sentences; empty when nothing is."""
    needed = {(kind, old) for kind, cls in payloads.items() for old in range(1, cls.VERSION)}
    return [
        f"{kind}: version {old} has no upcaster to version {old + 1}."
        for kind, old in sorted(needed - set(upcasters))
    ] + [
        f"{kind}: the upcaster of version {old} leads to no version."
        for kind, old in sorted(set(upcasters) - needed)
    ]


if _gaps := gaps_in_versions(PAYLOADS, UPCASTERS):
    # Nothing starts: a server that can't read what is stored would find out one read at a time.
    raise RuntimeError("Events could not be read any more. " + " ".join(_gaps))

_SPECS: dict[EventType, list[tuple[str, Any, bool]]] = {
    kind: [(f.name, f.metadata["read"], f.metadata["optional"]) for f in dataclasses.fields(cls)]  # type: ignore[arg-type]
    for kind, cls in PAYLOADS.items()
}
_CLASSES = {str(kind): cls for kind, cls in PAYLOADS.items()}
_LOADED: dict[str, list[tuple[str, Any]]] = {
    str(kind): [(f.name, f.metadata["load"]) for f in dataclasses.fields(cls) if f.metadata["load"]]  # type: ignore[arg-type]
    for kind, cls in PAYLOADS.items()
}
_NAMES = {kind: {name for name, _, _ in specs} for kind, specs in _SPECS.items()}


def fields_of(kind: EventType) -> set[str]:
    """The names of a payload's fields in its newest version."""
    return _NAMES[kind]


class BadPayload(ValueError):
    """What is wrong with a payload, field by field."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("; ".join(f"{p.pointer}: {p.detail}" for p in problems))
        self.problems = problems


def upcast(kind: EventType, version: int, payload: dict[str, Any]) -> dict[str, Any]:
    """The payload of ``version`` brought to the newest one; KeyError when an upcaster is missing."""
    for old in range(version, PAYLOADS[kind].VERSION):
        payload = UPCASTERS[kind, old](payload)
    return payload


def read_payload(kind: EventType, version: int, payload: dict[str, Any]) -> Payload:
    """The payload's dataclass in the newest version; BadPayload names every field that can't be read."""
    payload = upcast(kind, version, payload)
    values: dict[str, Any] = {}
    problems = [
        Problem("/payload" + pointer_to(name), "unknown-field", "This type has no such field.")
        for name in payload
        if name not in _NAMES[kind]
    ]
    for name, read, optional in _SPECS[kind]:
        value = payload.get(name)
        if value is None:
            if not optional:
                problems.append(Problem(f"/payload/{name}", "missing", "This field is needed."))
            continue
        try:
            values[name] = read(value)
        except Unreadable as wrong:
            problems.append(Problem(f"/payload/{name}", "unreadable", f"Expected: {wrong}."))
    together = PAYLOADS[kind].TOGETHER
    if together and 0 < sum(name in values for name in together) < len(together) and not problems:
        missing = next(name for name in together if name not in values)
        problems.append(
            Problem(f"/payload/{missing}", "missing", "Give all of " + ", ".join(together) + ", or none.")
        )
    if not problems:
        read = PAYLOADS[kind](**values)
        problems = [Problem(f"/payload/{name}", code, detail) for name, code, detail in read.contradictions()]
        if not problems:
            return read
    raise BadPayload(problems)


def stored_payload(payload: Payload) -> dict[str, Any]:
    """The one JSON form of a payload: what is hashed and stored; fields left out are not there."""
    return {
        name: to_json(value)
        for name, _, _ in _SPECS[payload.TYPE]
        if (value := getattr(payload, name)) is not None
    }


def load_payload(kind: str, version: int, payload: dict[str, Any]) -> Payload:
    """A stored payload as its dataclass; it was validated when it was appended, so nothing is refused here."""
    cls = _CLASSES[kind]
    if version != cls.VERSION:
        return read_payload(cls.TYPE, version, payload)
    values = dict(payload)
    for name, load in _LOADED[kind]:
        if name in values:
            values[name] = load(values[name])
    return cls(**values)
