"""An archive of everything, opened again, and what the database itself holds of an operator."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from typing import Any

from accounts.permissions import system_actor
from config.exporting import write_everything
from servicing.commands.seals import seal


def tables_of_operators(superuser: Any) -> dict[str, str]:
    """Every table with rows of operators as the database's catalogue has them, with the column that says whose."""
    found = superuser.execute(
        "SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'operator_id' "
        "WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p')"
    )
    return {"accounts_operator": "id", **{name: "operator_id" for (name,) in found}}


def columns_of(superuser: Any) -> set[tuple[str, str]]:
    """Every column of every table, by the standard's own view of them."""
    return set(superuser.execute("SELECT table_name, column_name FROM information_schema.columns").fetchall())


class Opened:
    """What an archive holds, by Python's own reader of ZIP files."""

    def __init__(self, content: bytes) -> None:
        self.zip = zipfile.ZipFile(io.BytesIO(content))
        self.names = self.zip.namelist()
        self.manifest = json.loads(self.zip.read("manifest.json"))

    def read(self, name: str) -> bytes:
        return self.zip.read(name)

    def rows(self, name: str) -> list[dict[str, str]]:
        """A CSV file by Python's own reader of RFC 4180."""
        return list(csv.DictReader(io.StringIO(self.read(name).decode(), newline=""), strict=True))

    def lines(self, name: str) -> list[bytes]:
        return self.read(name).splitlines()

    def everything(self) -> bytes:
        return b"\n".join(self.read(name) for name in self.names)


def written(actor: Any) -> Opened:
    out = io.BytesIO()
    write_everything(actor, out)
    return Opened(out.getvalue())


def root_of(leaves: list[bytes]) -> bytes:
    """The Merkle tree's hash as RFC 9162 section 2.1.1 defines it, split at the largest power of two below the length."""
    if len(leaves) == 1:
        return leaves[0]
    half = 1
    while half * 2 < len(leaves):
        half *= 2
    return hashlib.sha256(b"\x01" + root_of(leaves[:half]) + root_of(leaves[half:])).digest()


def sealed(cast: Any) -> None:
    seal(actor=system_actor(cast.operator.id), at_once=True)
