"""Try one write path with a fault at each of its steps: afterwards all of it is stored or nothing, and asked again it is done."""

from __future__ import annotations

import os
import random
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from django.core import mail
from django.db import close_old_connections, connections

from tests.drills.workers.faults.breaking import CRASHED, How, counted
from tests.drills.workers.faults.stored import Fleeting, Stored, Tables

DONE, FAULT = range(200, 400), 500
PATIENCE_SECONDS = 20
OURS = "SELECT pid FROM pg_stat_activity WHERE usename LIKE 'wickround%' AND backend_type = 'client backend'"
# Where a job notes what went wrong, and what it took.
JOB_NOTES = frozenset({("accounts_job", "last_error")})


class NotToBeTried(Exception):
    """Without any fault a path is refused, stores nothing, or is not the same twice."""


@dataclass(frozen=True)
class Path:
    """A way to write. ``send`` does it and gives the status of its answer; what it raises is answered with a fault.

    ``commits``: how many transactions that store something it is agreed to take, each of them whole. ``notes``: columns in
    which a fault is noted. ``also``: what sending it again may be answered when it was done before, such as that it is there.
    """

    name: str
    send: Callable[[], int]
    commits: int = 1
    notes: frozenset[tuple[str, str]] = frozenset()
    also: frozenset[int] = frozenset()
    # Done anew each time it is asked, as a person would want it: it is not sent again once it was done.
    is_each_time: bool = False
    crashes: int = 3


@dataclass
class Tried:
    """What came of a path's faults."""

    name: str
    steps: int = 0
    commits: int = 0
    faults: Counter[How] = field(default_factory=Counter)
    nothing: int = 0
    part_by_part: int = 0
    whole: int = 0
    partial: list[str] = field(default_factory=list)
    unkept: list[str] = field(default_factory=list)
    not_done_again: list[str] = field(default_factory=list)

    @property
    def wrong(self) -> list[str]:
        return [*self.partial, *self.unkept, *self.not_done_again]


class Trial:
    """A path tried step by step from one moment of the database, to which it is put back each time."""

    def __init__(self, tables: Tables, path: Path) -> None:
        self.tables, self.path = tables, path
        self.tried = Tried(path.name)
        self.before = tables.now()
        # What stands after each of its transactions that store something; the last is all of it.
        self.moments: list[Stored] = []
        self.fleeting = self._completed()
        self.but_notes = self.fleeting.and_notes(path.notes)
        self.tried.commits = len(self.moments)
        if len(self.moments) > path.commits:
            self.tried.partial.append(f"{path.name}: {len(self.moments)} transactions, {path.commits} agreed")

    def run(self, draw: random.Random, share: float = 1) -> Tried:
        """A fault of each kind at each step (or a share of them), and some crashes; then once without, which stays."""
        steps = range(1, self.tried.steps + 1)
        chosen = steps if share == 1 else sorted(draw.sample(steps, max(1, round(share * len(steps)))))
        for how in (How.REFUSED, How.GONE):
            for at in chosen:
                self._one(at, how)
        for at in sorted(draw.sample(steps, min(self.path.crashes, len(steps)))):
            self._one(at, How.CRASHED)
        assert self._sent() in DONE
        return self.tried

    def _completed(self) -> Fleeting:
        """What is stored when nothing breaks; twice, to know which of it is the same each time."""
        ends = []
        for turn in range(2):
            moments: list[Stored] = []
            with counted(on_commit=lambda: moments.append(self.tables.now())) as steps:  # noqa: B023 - of this turn
                status = self.path.send()
            end = self.tables.now()
            if status not in DONE or end.rows == self.before.rows:
                self.tables.back_to(self.before, end)
                raise NotToBeTried(f"{self.path.name} answers {status}")
            if turn == 0:
                self.tried.steps = steps.count
                self.moments = _each_once([*moments, end], self.before)
            ends.append(end)
            self.tables.back_to(self.before, end)
            assert self.tables.now().rows == self.before.rows, "It could not be put back."
            self.tables.skip_numbers(1_000)
        first, second = ends
        fleeting = Fleeting.between(self.before, first, second)
        if not fleeting.alike(first, second):
            raise NotToBeTried(f"{self.path.name} is not the same twice: {fleeting.shown(first, second)}")
        return fleeting

    def _one(self, at: int, how: How) -> None:
        mail.outbox = []
        broken, status = self._crashed(at) if how is How.CRASHED else self._broken(at, how)
        after = self.tables.now()
        if broken:
            self.tried.faults[how] += 1
            where = f"{self.path.name}, {how} at step {at} of {self.tried.steps}"
            is_whole = self._judge(after, status, where)
            if not (is_whole and self.path.is_each_time):
                after = self._again(where, is_whole=is_whole)
        self.tables.back_to(self.before, after)

    def _judge(self, after: Stored, status: int | None, where: str) -> bool:
        """Whether all of it is stored; what may not be is noted."""
        is_whole = self.but_notes.alike(after, self.moments[-1])
        if self._is_nothing(after):
            self.tried.nothing += 1
        elif is_whole:
            self.tried.whole += 1
        elif any(self.but_notes.alike(after, moment) for moment in self.moments[:-1]):
            self.tried.part_by_part += 1
        else:
            self.tried.partial.append(f"{where}: {self.fleeting.shown(self.before, after)}")
        if status in DONE and not is_whole:
            self.tried.unkept.append(f"{where}: answered {status}")
        return is_whole

    def _again(self, where: str, *, is_whole: bool) -> Stored:
        """Send it again, as whoever got no answer does: then it is done, and once."""
        status = self._sent()
        end = self.tables.now()
        may_be = status in DONE or (is_whole and status in self.path.also)
        if not may_be or not self.but_notes.alike(end, self.moments[-1]):
            differing = self.but_notes.shown(self.moments[-1], end)
            self.tried.not_done_again.append(f"{where}: again {status}: {differing}")
        named = {message.extra_headers.get("Message-ID") for message in mail.outbox}
        if mail.outbox and (None in named or len(named) > len({tuple(one.to) for one in mail.outbox})):
            self.tried.not_done_again.append(f"{where}: {len(mail.outbox)} mails by the names {named}")
        return end

    def _broken(self, at: int, how: How) -> tuple[bool, int | None]:
        with counted(at, how) as steps:
            status = self._sent()
        close_old_connections()
        return steps.is_broken, status

    def _crashed(self, at: int) -> tuple[bool, int | None]:
        """In a process of its own, which ends there and then."""
        connections.close_all()
        others = self._connected()
        child = os.fork()
        if child == 0:
            with counted(at, How.CRASHED):
                self._sent()
            os._exit(0)
        _, status = os.waitpid(child, 0)
        self._wait_for_the_server(others)
        return os.waitstatus_to_exitcode(status) == CRASHED, None

    def _connected(self) -> set[int]:
        return {pid for (pid,) in self.tables.superuser.execute(OURS)}

    def _wait_for_the_server(self, others: set[int]) -> None:
        """Until it has found its client gone and undone what was open."""
        deadline = time.monotonic() + PATIENCE_SECONDS
        while self._connected() - others:
            assert time.monotonic() < deadline, (
                "The server still holds what a process had open that has ended."
            )
            time.sleep(0.01)

    def _sent(self) -> int:
        try:
            return self.path.send()
        except Exception:  # noqa: BLE001 - whatever it is, it is a fault
            return FAULT

    def _is_nothing(self, after: Stored) -> bool:
        """Nothing is stored but a note of the fault."""
        if after.rows == self.before.rows:
            return True
        return bool(self.path.notes) and self.but_notes.alike(self.before, after)


def _each_once(moments: list[Stored], before: Stored) -> list[Stored]:
    """Those in which something is stored that was not in the one before."""
    found: list[Stored] = []
    for moment in moments:
        if moment.rows != (found[-1] if found else before).rows:
            found.append(moment)
    return found
