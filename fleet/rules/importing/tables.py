"""A file of rows, whichever way it was written: its columns by name, and the cells of each row as texts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from accounts.errors import BadInput, Problem, TooLarge
from accounts.languages import _, _n
from fleet.rules.importing.columns import KINDS, REASON

# A cell is no longer than this, and a row of no more cells.
MOST_CELL = 5_000
MOST_COLUMNS = 64
TOLD_EVERY = 1_000  # rows

# Hears how many rows were read.
Tell = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the file: the line it ends on, and its cells by column, spaces at their ends dropped.

    ``wrong``: a sentence for each cell of which the file itself does not say plainly what it holds.
    """

    line: int
    cells: dict[str, str]
    wrong: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Table:
    """A file as it was read: its columns in their order, what stands between cells, and its rows.

    ``notes`` are sentences on what of the file was passed over.
    """

    columns: list[str]
    delimiter: str
    rows: list[Row]
    notes: list[str] = field(default_factory=list)


def unreadable(detail: str) -> BadInput:
    """A file that is no list of rows."""
    return BadInput(detail, errors=[Problem("/file", "unreadable", detail)])


def too_large(detail: str) -> TooLarge:
    """A file of too much, which may be sent in parts."""
    return TooLarge(detail, errors=[Problem("/file", "too-large", detail)])


def column_names(cells: Iterable[str]) -> list[str]:
    """The first row's cells as names of columns, as we write them; empty ones after the last are none."""
    columns = [column_name(cell) for cell in cells]
    while columns and not columns[-1]:
        columns.pop()
    return columns


def column_name(cell: str) -> str:
    """A name of a column as we write it."""
    return cell.strip().casefold().replace(" ", "_")


def refuse_columns(columns: Sequence[str], kind: str) -> None:
    """BadInput when a column that each row needs is missing, or one is there that means nothing here."""
    if len(columns) > MOST_COLUMNS:
        raise unreadable(_("The first row has more than {most} columns.", most=MOST_COLUMNS))
    known = {column.name: column.is_needed for column in KINDS[kind]}
    strange = [name for name in columns if name not in known and name != REASON]
    missing = [name for name, is_needed in known.items() if is_needed and name not in columns]
    if missing:
        names = ", ".join(missing)
        raise unreadable(
            _n(
                "The first row lacks the column {names}.",
                "The first row lacks the columns {names}.",
                len(missing),
                names=names,
            )
        )
    if strange or len(set(columns)) < len(columns):
        names = ", ".join(strange or sorted({name for name in columns if columns.count(name) > 1}))
        raise unreadable(
            _("The first row has columns that mean nothing here or stand twice: {names}.", names=names)
        )


def counted(rows: Iterator[Row], most: int, tell: Tell | None = None) -> list[Row]:
    """The rows, or a refusal of more than ``most`` and of none; ``tell`` is called with their number now and then."""
    kept: list[Row] = []
    for row in rows:
        if tell is not None and len(kept) % TOLD_EVERY == 0:
            tell(len(kept))
        if len(kept) == most:
            raise too_large(_("The file has more than {most} rows. Send it in parts.", most=most))
        kept.append(row)
    if not kept:
        raise unreadable(_("There is no row below the names of the columns."))
    return kept


def named(columns: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    """By column; cells beyond the last column stand under "", so that the row is refused."""
    by_name = dict(zip(columns, cells, strict=False))
    if any(cells[len(columns) :]):
        by_name[""] = " ".join(cells[len(columns) :]).strip()[:MOST_CELL]
    return by_name
