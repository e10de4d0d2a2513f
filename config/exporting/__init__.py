"""Everything of an operator as one ZIP file of one moment, with a manifest by which it can be checked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.permissions import Actor, Permission, require
from accounts.queries import everything
from billing.queries.written_out import document_files
from config.exporting import cells, dictionary, left_out, words
from config.exporting.archive import Archive, Out, safe
from servicing.queries.written_out import TEXT_COLUMNS, log_lines, seal_lines, texts_through

FORMAT = "wickround-everything/1"
# Bytes of rows that are handed on at once.
_AT_ONCE = 64 * 1024
# Tables whose rows carry a file: which folder it goes to, how its name ends, and what makes up its name.
FILES = {
    "servicing_photo": ("photos", "jpg", ("id",)),
    "fleet_safetysheet": ("safety-sheets", "pdf", ("language", "id")),
}


def write_everything(actor: Actor, out: Out, begun: Any = lambda: None) -> dict[str, Any]:
    """Write the archive into ``out`` and give what its manifest says. ``begun()`` is called once nothing refuses any more.

    All of it is read in one snapshot. Conflict while the same operator is written out already.
    """
    require(actor, Permission.EVERYTHING_EXPORT)
    tables = everything.tables()
    locked = [table.name for table in tables]
    with tenancy.operator_scope(actor.operator_id, read_only=True, one_snapshot_of=locked):
        everything.one_at_a_time()
        begun()
        operator, heads, now = accounts.get_operator(), everything.heads(), clock.now()
        with Archive(out, now) as archive:
            _write_words(archive, operator.name, tables, now)
            for table in tables:
                if table.name not in left_out.TABLES:
                    _write_table(archive, table)
            with archive.file("tables/people.csv") as entry:
                _write_rows(entry, everything.PEOPLE_COLUMNS, everything.people_through())
            _write_log(archive)
            _write_files(archive)
            columns = {".".join(names): why for names, why in left_out.COLUMNS.items()}
            return archive.close(
                format=FORMAT,
                operator={"id": str(operator.id), "slug": operator.slug, "name": operator.name},
                moment=now.isoformat(),
                log_position=heads.position,
                audit_number=heads.number,
                left_out={"tables": left_out.TABLES, "columns": columns},
            )


def _write_words(archive: Archive, operator: str, tables: list[everything.Table], now: datetime) -> None:
    with archive.file("README.txt") as entry:
        entry.write(words.readme(operator, now).encode())
    written = [table for table in tables if table.name not in left_out.TABLES]
    with archive.file("data-dictionary.csv") as entry:
        _write_rows(entry, dictionary.COLUMNS, dictionary.rows(written))


def _write_table(archive: Archive, table: everything.Table) -> None:
    columns = dictionary.written(table)
    guarded = [column.is_text for column in columns]
    with archive.file(f"tables/{table.name}.csv") as entry:
        _write_rows(entry, [one.name for one in columns], everything.rows_through(table, columns), guarded)


def _write_rows(
    entry: Any, names: Sequence[str], rows: Iterable[Sequence[str | None]], guarded: Sequence[bool] = ()
) -> None:
    guarded = guarded or [True] * len(names)
    parts, size, count = [cells.header(names)], 0, 0
    for row in rows:
        said = cells.record(row, guarded)
        parts.append(said)
        count, size = count + 1, size + len(said)
        if size > _AT_ONCE:
            entry.write("".join(parts).encode())
            parts, size = [], 0
    entry.write("".join(parts).encode())
    entry.rows = count


def _write_log(archive: Archive) -> None:
    for name, lines in (("log/events.jsonl", log_lines()), ("log/seals.jsonl", seal_lines())):
        with archive.file(name) as entry:
            entry.rows = 0
            for line in lines:
                entry.write(line)
                entry.rows += 1
    with archive.file("texts/people.csv") as entry:
        _write_rows(entry, TEXT_COLUMNS, texts_through())


def _write_files(archive: Archive) -> None:
    for one in document_files():
        with archive.file(f"documents/{safe(one.number)}_{one.document_id}.{one.form}") as entry:
            entry.write(one.content)
    for table, (folder, ending, parts) in FILES.items():
        for *named, content in everything.contents_through(table, parts, "content"):
            name = "-".join(safe(part) for part in named)
            with archive.file(f"{folder}/{name}.{ending}", packed=False) as entry:
                entry.write(bytes(content))
