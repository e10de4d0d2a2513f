"""As many processes as a Celery worker has, each refitting operators over a connection of its own; they live through all rounds."""

from __future__ import annotations

import multiprocessing
from collections.abc import Sequence
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any, Self
from uuid import UUID


class Workers:
    def __init__(self, number: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._ends: list[Connection] = []
        self._processes = []
        for _ in range(number):
            mine, theirs = context.Pipe()
            process = context.Process(target=_work, args=(theirs,), daemon=True)
            process.start()
            theirs.close()
            self._ends.append(mine)
            self._processes.append(process)
        self.refit([])

    def refit(self, operators: Sequence[UUID]) -> None:
        """Returns when all are done; EOFError when a process has died."""
        for place, end in enumerate(self._ends):
            end.send(list(operators[place :: len(self._ends)]))
        for end in self._ends:
            end.recv()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for end in self._ends:
            end.close()
        for process in self._processes:
            process.join()


def _work(end: Any) -> None:
    import django

    django.setup()
    from django.db import connections

    from accounts import clock
    from accounts.permissions import system_actor
    from servicing.commands.forecasts import refit
    from tests.benchmarks.forecast.histories import AS_OF

    try:
        while True:
            with clock.playing(AS_OF):
                for operator_id in end.recv():
                    refit(actor=system_actor(operator_id))
            end.send(True)
    except EOFError:
        pass  # the rounds are over
    finally:
        connections.close_all()
