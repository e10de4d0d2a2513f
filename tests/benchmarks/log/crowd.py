"""Processes that write at once, one event a transaction, each with a connection of its own; they live through all rounds."""

from __future__ import annotations

import multiprocessing
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any, Self
from uuid import UUID


class Crowd:
    """One process an operator. ``prepare`` makes events unmeasured, ``go`` writes them and returns when all have."""

    def __init__(self, superuser_url: str, operator_ids: list[UUID]) -> None:
        self.size = len(operator_ids)
        context = multiprocessing.get_context("spawn")
        self._ends: list[Connection] = []
        self._processes = []
        for number, operator_id in enumerate(operator_ids):
            mine, theirs = context.Pipe()
            arguments = (theirs, superuser_url, operator_id, number)
            process = context.Process(target=_member, args=arguments, daemon=True)
            process.start()
            theirs.close()
            self._ends.append(mine)
            self._processes.append(process)
        # One after the other: the peer makes its tables at its start, and can't do so twice at once.
        for end in self._ends:
            end.send(("open", 0))
            end.recv()
        self.prepare(20)

    def prepare(self, number: int) -> None:
        self._all("prepare", number)

    def go(self, side: str, number: int) -> None:
        self._all(side, number)

    def _all(self, what: str, number: int) -> None:
        for end in self._ends:
            end.send((what, number))
        for end in self._ends:
            end.recv()  # EOFError when a process has died

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for end in self._ends:
            end.close()
        for process in self._processes:
            process.join()


def _member(end: Connection, superuser_url: str, operator_id: UUID, number: int) -> None:
    import django

    django.setup()
    from django.db import connections

    from tests.benchmarks.log import peer
    from tests.benchmarks.log.append import append
    from tests.benchmarks.log.batches import Phone

    phone = Phone(100 + number)
    assert end.recv() == ("open", 0)
    application = peer.open_application(superuser_url)
    end.send("open")
    events: list[Any] = []
    theirs: list[Any] = []
    try:
        while True:
            what, count = end.recv()
            if what == "prepare":
                events = phone.events(count)
                theirs = peer.as_its_own(events, datetime.now(UTC))
            elif what == "ours":
                for event in events[:count]:
                    append(operator_id, [event])
            else:
                for event in theirs[:count]:
                    application.events.put([event])
            end.send(what)
    except EOFError:
        pass  # the crowd is done
    finally:
        application.close()
        connections.close_all()
