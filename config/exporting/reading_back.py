"""Is an archive whole? Every file is read again and held against the manifest, and the manifest against the database."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from accounts import tenancy
from accounts.permissions import Actor
from accounts.queries import everything
from config.exporting import FORMAT, left_out
from config.exporting.archive import MANIFEST

_AT_ONCE = 1024 * 1024


def digest_of(path: Path) -> str:
    """The SHA-256 of a whole file, hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def manifest_of(path: Path) -> dict[str, Any]:
    """What the archive's manifest says. ValueError for what is no archive of this kind."""
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = json.loads(archive.read(MANIFEST))
    except (OSError, KeyError, ValueError, zipfile.BadZipFile) as fault:
        raise ValueError(f"{path} can't be read as an archive: {fault}.") from None
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise ValueError(f"{path} is no archive of everything.")
    return manifest


def faults(path: Path) -> list[str]:
    """What of an archive is not as its manifest says; empty when all is."""
    manifest = manifest_of(path)
    said = {one["name"]: one for one in manifest["files"]}
    found = []
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name != MANIFEST]
        if sorted(names) != sorted(said):
            found.append("Its files are not those that the manifest names.")
        for name in names:
            if name not in said:
                continue
            size, digest = _read(archive, name)
            if (size, digest) != (said[name]["bytes"], said[name]["sha256"]):
                found.append(f"{name} is not as the manifest says.")
    return found


def _read(archive: zipfile.ZipFile, name: str) -> tuple[int, str]:
    size, digest = 0, hashlib.sha256()
    try:
        with archive.open(name) as file:
            while part := file.read(_AT_ONCE):
                size += len(part)
                digest.update(part)
    except zipfile.BadZipFile:
        return -1, ""
    return size, digest.hexdigest()


def missing(actor: Actor, manifest: dict[str, Any]) -> list[str]:
    """What the operator has and the archive has not: a table, rows of one, or what was written after it was made."""
    with tenancy.reading(actor):
        heads = everything.heads()
        lacking = list(_tables_lacking(manifest))
    if (heads.position, heads.number) != (manifest["log_position"], manifest["audit_number"]):
        lacking.append("Something was written after the archive was made.")
    return lacking


def _tables_lacking(manifest: dict[str, Any]) -> Iterator[str]:
    rows = {one["name"]: one.get("rows") for one in manifest["files"]}
    for table in everything.tables():
        if table.name in left_out.TABLES:
            continue
        there, here = everything.count_rows(table), rows.get(f"tables/{table.name}.csv")
        if here is None or here < there:
            yield f"{table.name} has {there} rows, the archive {here or 0}."
