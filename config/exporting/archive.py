"""A ZIP file written from front to back into whatever takes bytes, that keeps of each file its digest and its rows."""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import IO, Any, Protocol, Self

MANIFEST = "manifest.json"
# Folders and names of plain letters, so that no program unpacks a file to another place than its folder.
_SAFE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*(/[A-Za-z0-9][A-Za-z0-9._-]*)*\Z")
_UNSAFE_LETTERS = re.compile(r"[^A-Za-z0-9._-]+")
_MOST_LETTERS = 80
_MODE = 0o600 << 16  # for the owner to read and write


class Out(Protocol):
    """What a ZIP file is written into. Nothing is ever written before what was written already."""

    def write(self, data: bytes, /) -> int: ...

    def flush(self) -> None: ...


@dataclass(slots=True)
class Entry:
    """A file of the archive while it is written."""

    name: str
    into: IO[bytes]
    rows: int | None = None
    size: int = 0
    digest: Any = field(default_factory=hashlib.sha256)

    def write(self, data: bytes) -> None:
        self.into.write(data)
        self.digest.update(data)
        self.size += len(data)

    def said(self) -> dict[str, Any]:
        found = {"name": self.name, "bytes": self.size, "sha256": self.digest.hexdigest()}
        return found if self.rows is None else {**found, "rows": self.rows}


class Archive:
    """``files``: what was written so far, as the manifest says it. What breaks off is left without an end, so that it opens nowhere."""

    def __init__(self, out: Out, at: datetime) -> None:
        self.zip = zipfile.ZipFile(_Forward(out), "w", zipfile.ZIP_DEFLATED)
        self.at = at
        self.files: list[dict[str, Any]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_fault: object) -> None:
        if kind is not None:
            # Else Python's writer would end it once it is forgotten.
            self.zip.fp = None

    @contextmanager
    def file(self, name: str, *, packed: bool = True) -> Iterator[Entry]:
        """One file of it. ``packed``: made smaller; pictures are small already. ValueError for a name that is not safe."""
        if not _SAFE.match(name) or ".." in name:
            raise ValueError(f"{name!r} is no name for a file of an archive.")
        info = zipfile.ZipInfo(name, self.at.timetuple()[:6])
        info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        info.external_attr = _MODE
        # How long it gets is not known yet, so it may be long.
        with self.zip.open(info, "w", force_zip64=True) as into:
            entry = Entry(name, into)
            yield entry
        self.files.append(entry.said())

    def close(self, **about: Any) -> dict[str, Any]:
        """Write the manifest as the last file, and end the archive. Gives what the manifest says."""
        manifest = {**about, "files": list(self.files)}
        with self.file(MANIFEST) as entry:
            entry.write(json.dumps(manifest, indent=1, ensure_ascii=False).encode())
        self.zip.close()
        return manifest


class _Forward:
    """Shows the ZIP writer no way back, so that it writes what can be read while it grows."""

    def __init__(self, out: Out) -> None:
        self.out = out

    def write(self, data: bytes, /) -> int:
        return self.out.write(data)

    def flush(self) -> None:
        self.out.flush()

    def close(self) -> None:
        """What it is written into is whoever's who gave it."""


def safe(text: str) -> str:
    """A text, such as a document's number, as a part of a file's name; two texts may give the same."""
    return _UNSAFE_LETTERS.sub("-", text).strip(".-_")[:_MOST_LETTERS] or "unnamed"
