"""What every version of every payload reads as, for ever: one file a type and version, ``golden/<type>/v<N>.json``.

A file holds cases by name ('minimal', 'full'): a ``payload`` as it was stored in that version, how it must read in the
newest one (``newest``), and the content hash of an event made of it, which must never change. To add a file, write its
payloads by hand and let ``fill`` add what is missing; then read what it added.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

from servicing.events.reading import PAYLOADS, load_payload, stored_payload
from servicing.events.types import EventType
from servicing.log import NewEvent, content_hash

FOLDER = Path(__file__).resolve().parent / "golden"
CASES = {"minimal", "full"}


def path_of(kind: str, version: int) -> Path:
    return FOLDER / kind / f"v{version}.json"


def expected_files() -> set[Path]:
    """One for every version that any event was ever written in."""
    return {path_of(kind, version) for kind, cls in PAYLOADS.items() for version in range(1, cls.VERSION + 1)}


def files() -> list[Path]:
    return sorted(FOLDER.glob("*/*.json"))


def cases() -> list[tuple[str, int, str, dict[str, Any]]]:
    """Type, version, name and case, of all files."""
    return [
        (path.parent.name, int(path.stem.removeprefix("v")), name, case)
        for path in files()
        for name, case in json.loads(path.read_text()).items()
    ]


def newest_of(kind: str, version: int, payload: dict[str, Any]) -> dict[str, Any]:
    return stored_payload(load_payload(kind, version, payload))


def hash_of(kind: str, version: int, payload: dict[str, Any]) -> str:
    """The content hash of one fixed event with this payload, from a phone."""
    event = NewEvent(
        event_id=UUID(int=1),
        device_id=UUID(int=2),
        device_sequence=3,
        subject_kind=str(PAYLOADS[EventType(kind)].SUBJECTS[0]),
        subject_id=UUID(int=4),
        type=kind,
        schema_version=version,
        occurred_at=datetime(2026, 6, 15, 12, 0, 0, 250_000, tzinfo=UTC),
        received_at=datetime(2026, 6, 15, 12, 1, tzinfo=UTC),
        actor_kind="device",
        actor_id=UUID(int=2),
        payload=payload,
        visit_id=UUID(int=5),
    )
    return content_hash(event, from_office=False).hex()


def fill() -> None:
    """Add ``newest`` and ``content_hash`` to cases that lack them. What stands in a file is never changed."""
    for path in files():
        found = json.loads(path.read_text())
        kind, version = path.parent.name, int(path.stem.removeprefix("v"))
        for case in found.values():
            case.setdefault("newest", newest_of(kind, version, case["payload"]))
            case.setdefault("content_hash", hash_of(kind, version, case["payload"]))
        text = json.dumps(found, indent=2) + "\n"
        if text != path.read_text():
            path.write_text(text)
            print(f"Filled in {path.relative_to(FOLDER)}: read it before you commit it.")
