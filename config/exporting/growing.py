"""A file that is written by a thread of its own and read while it grows.

What is written is read from the database in one transaction; a slow reader must not hold that open. So the writer goes on
at its own speed into a temporary file, and the reader follows.
"""

from __future__ import annotations

import contextvars
import os
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from threading import Condition, Thread

from django.db import connections

from config.exporting.archive import Out

_AT_ONCE = 64 * 1024


class Abandoned(Exception):
    """Nobody reads any more."""


class Growing:
    """The bytes that ``write(out, begun)`` writes, as they come.

    Made once ``begun()`` was called; what is raised before that is raised here, what comes later breaks the reading off.
    """

    def __init__(self, write: Callable[[Out, Callable[[], None]], object]) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the last byte read
        self._changed = Condition()
        self._size = 0
        self._has_begun = self._is_over = self._is_abandoned = False
        self._fault: BaseException | None = None
        # The language and the origin of who asked, in a thread with connections of its own.
        context = contextvars.copy_context()
        Thread(target=context.run, args=(self._work, write), name="everything", daemon=True).start()
        with self._changed:
            self._changed.wait_for(lambda: self._has_begun or self._is_over)
        if self._fault is not None:
            self._file.close()
            raise self._fault

    def _work(self, write: Callable[[Out, Callable[[], None]], object]) -> None:
        try:
            write(self, self._begin)
        except BaseException as fault:  # noqa: BLE001 - raised again by whoever reads
            self._fault = fault
        finally:
            connections.close_all()
            with self._changed:
                self._is_over = True
                if self._is_abandoned:
                    self._file.close()
                self._changed.notify_all()

    def _begin(self) -> None:
        with self._changed:
            self._has_begun = True
            self._changed.notify_all()

    def write(self, data: bytes, /) -> int:
        """For the writer. Abandoned once nobody reads."""
        if self._is_abandoned:
            raise Abandoned
        self._file.write(data)
        self._file.flush()
        with self._changed:
            self._size += len(data)
            self._changed.notify_all()
        return len(data)

    def flush(self) -> None:
        """For the writer; nothing is held back."""

    def __iter__(self) -> Iterator[bytes]:
        read = 0
        while True:
            with self._changed:
                self._changed.wait_for(partial(self._has_more, read))
                is_over = self._is_over
            if is_over and self._fault is not None:
                raise self._fault
            part = os.pread(self._file.fileno(), _AT_ONCE, read)
            if not part:
                return
            read += len(part)
            yield part

    def _has_more(self, read: int) -> bool:
        return self._size > read or self._is_over

    def close(self) -> None:
        """For the reader: done, or gone."""
        with self._changed:
            self._is_abandoned = True
            if self._is_over:
                self._file.close()
