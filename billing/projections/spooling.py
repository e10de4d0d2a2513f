"""Where the parts of a close wait until all are rated: in memory while they are few, else in a file that nobody else sees.

A close's own row says what all parts came to and never changes, so it is written when the last part is rated.
"""

from __future__ import annotations

import gc
import pickle
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from types import TracebackType
from typing import Any, Self
from uuid import UUID

import orjson

from billing.projections.parting import Added
from billing.projections.storing import decimal_text, disposition_rows
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Kind, Line
from billing.rules.rating import Charge, Rule

BYTES_IN_MEMORY = 64 * 1024 * 1024


@contextmanager
def paused_collection() -> Iterator[None]:
    """No search for cycles while a close makes its millions of plain values: there are none among them."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


class Spool:
    """Parts in the order in which they were put; closed with its block.

    Dispositions wait as the rows they will be, lines as plain JSON: both are written and read faster than as objects.
    """

    __slots__ = ("_count", "_file")

    def __enter__(self) -> Self:
        self._file = tempfile.SpooledTemporaryFile(BYTES_IN_MEMORY)
        self._count = 0
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def put(self, added: Added) -> None:
        waiting = Waiting(
            added.number,
            added.frozen,
            added.inputs,
            list(disposition_rows(added.dispositions)),
            lines_as_json(added.lines),
            added.older,
        )
        pickle.dump(waiting, self._file, pickle.HIGHEST_PROTOCOL)
        self._count += 1

    def parts(self) -> Iterator[Waiting]:
        self._file.seek(0)
        for _ in range(self._count):
            yield pickle.load(self._file)  # noqa: S301 - this process wrote it


@dataclass(frozen=True, slots=True)
class Waiting:
    """A part as it waits: what it read, what its documents need, its dispositions as rows, its lines, and older open ones."""

    number: int
    frozen: bytes
    inputs: Inputs
    dispositions: list[bytes]
    as_json: bytes
    older: list[tuple[UUID, Line]]

    def lines(self) -> list[Line]:
        return lines_of(self.as_json)


def lines_as_json(lines: Iterable[Line]) -> bytes:
    return orjson.dumps([(line.kind, line.charge) for line in lines], default=decimal_text)


def lines_of(as_json: bytes) -> list[Line]:
    """The inverse of ``lines_as_json``."""
    uuid, decimal, day = cache(UUID), cache(Decimal), cache(date.fromisoformat)
    return [_line(kind, row, uuid, decimal, day) for kind, row in orjson.loads(as_json)]


def _line(
    kind: str,
    row: dict[str, Any],
    uuid: Callable[[str], UUID],
    decimal: Callable[[str], Decimal],
    day: Callable[[str], date],
) -> Line:
    for name in (
        "subject_id",
        "event_id",
        "price_version_id",
        "customer_id",
        "agreement_id",
        "contract_id",
        "site_id",
    ):
        if row[name] is not None:
            row[name] = uuid(row[name])
    for name in ("unit_price", "part", "amount"):
        row[name] = decimal(row[name])
    for name in ("service_on", "starts_on", "ends_before"):
        row[name] = day(row[name])
    if row["occurred_at"] is not None:
        row["occurred_at"] = datetime.fromisoformat(row["occurred_at"])
    row["rule"] = RULES[row["rule"]]
    row["billed_with"] = None
    return Line(KINDS[kind], Charge(**row))


RULES = {str(rule): rule for rule in Rule}
KINDS = {str(kind): kind for kind in Kind}
