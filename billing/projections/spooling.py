"""Where the parts of a close wait until all are rated: in memory while they are few, else in a file that nobody else sees.

A close's own row says what all parts came to and never changes, so it is written when the last part is rated.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterator
from types import TracebackType
from typing import Self

from billing.projections.parting import Added

BYTES_IN_MEMORY = 64 * 1024 * 1024


class Spool:
    """Parts in the order in which they were put; closed with its block."""

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
        pickle.dump(added, self._file, pickle.HIGHEST_PROTOCOL)
        self._count += 1

    def parts(self) -> Iterator[Added]:
        self._file.seek(0)
        for _ in range(self._count):
            yield pickle.load(self._file)  # noqa: S301 - this process wrote it
