"""What is wrong with an answer: more than an absent thing's, a word of a rival's, or a row of a rival's that changed."""

from __future__ import annotations

import html
import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

from accounts.doors.keys import REPLAYED_HEADER
from tests.probes.asking import Probe, Seen
from tests.probes.ground import MARK, Ground
from tests.probes.rows import SHORTEST_TAG, UUIDS

NOT_THERE, SERVER_ERROR = 404, 500
# Says 503 while a part of the product is away, as the workers are here.
MAY_BE_AWAY = {"readyz"}
_WORDS = re.compile(rf"[\w@.+-]{{{SHORTEST_TAG},}}")
_PIECES = re.compile(rf"[^\W_]{{{SHORTEST_TAG},}}")
MOST_SHOWN = 200


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, in words."""

    probe: str
    what: str


@dataclass
class Judge:
    """Keeps what was found, and how much was asked."""

    ground: Ground
    findings: list[Finding] = field(default_factory=list)
    changed: list[Finding] = field(default_factory=list)
    ways: Counter[str] = field(default_factory=Counter)
    callers: set[str] = field(default_factory=set)
    covered: set[tuple[str, str]] = field(default_factory=set)
    # Bodies' fields whose value was looked up, and all that were tried.
    reached: set[str] = field(default_factory=set)
    tried: set[str] = field(default_factory=set)
    # As the rivals' rows were after the last probes.
    _last: dict[str, tuple[int, str]] = field(default_factory=dict)

    @property
    def probes(self) -> int:
        return self.ways.total()

    def ask_all(self, name: str, probes: Iterable[Probe]) -> None:
        """Ask the probes of one kind; then nothing of a rival's may be otherwise than before."""
        waiting = list(probes)
        before = self._last or self.ground.rows.sums()
        for probe in waiting:
            self.ask(probe)
        self._last = self.ground.rows.sums() if waiting else before
        self.changed += [
            Finding(name, f"{table}: {before[table]} before, {self._last[table]} after")
            for table in before
            if before[table] != self._last[table]
        ]

    def look_anew(self) -> None:
        """After a rival did something itself: what its rows are then is what the next probes must leave as it is."""
        self._last = {}

    def ask(self, probe: Probe) -> Seen:
        seen = probe.ask.send(probe.caller)
        twin = probe.twin.send(probe.caller) if probe.twin else None
        self.ways[probe.way] += 1
        self.callers.add(probe.caller.name)
        self.covered.add((probe.route, probe.ask.method))
        self.findings += [Finding(probe.name, what) for what in self.wrong(probe, seen, twin)]
        if probe.pointer:
            field_of = f"{probe.route} {probe.pointer}"
            self.tried.add(field_of)
            self.reached |= {field_of} if twin and _looked_up(twin, probe.pointer) else set()
        return seen

    def wrong(self, probe: Probe, seen: Seen, twin: Seen | None) -> Iterator[str]:
        if seen.status >= SERVER_ERROR and probe.route not in MAY_BE_AWAY:
            yield f"answered {seen.status}"
        elif probe.wanted is not None and seen.status not in probe.wanted:
            yield f"answered {seen.status}, not {sorted(probe.wanted)}: {seen.text[:MOST_SHOWN]}"
        if twin is not None and probe.twin is not None:
            mine, nobodys = seen.alike(probe.ask.values), twin.alike(probe.twin.values)
            if mine != nobodys:
                yield f"not as for what is absent: {_difference(mine, nobodys)}"
        if is_replayed(seen):
            yield "gave a kept answer to another"
        if told := self.tags_in(seen, probe.ask.values):
            yield f"tells of a rival: {sorted(told)[:5]}"

    def tags_in(self, seen: Seen, said: tuple[str, ...]) -> set[str]:
        """Words of a rival's in an answer that the request itself did not say."""
        _, text, headers = seen.without(said)
        whole = html.unescape(unquote("\n".join([text, *headers.values()])))
        found = {*UUIDS.findall(whole), *_WORDS.findall(whole), *_PIECES.findall(whole)} & self.ground.tags
        return found | ({MARK} if MARK in whole else set())


def is_replayed(seen: Seen) -> bool:
    """Whether it is an answer that was kept under an Idempotency-Key: a probe's own keys are new."""
    return any(name.lower() == REPLAYED_HEADER.lower() for name in seen.headers)


def _looked_up(twin: Seen, pointer: str) -> bool:
    """Whether the value of the field was asked for, and not there: 404, and no pointer to another field."""
    if twin.status != NOT_THERE:
        return False
    told: dict[str, Any] = json.loads(twin.text)
    pointers = {one["pointer"] for one in told["errors"]}
    return not pointers or pointer in pointers


def _difference(one: tuple[int, str, dict[str, str]], other: tuple[int, str, dict[str, str]]) -> str:
    if one[0] != other[0]:
        return f"{one[0]} and {other[0]}: {one[1][:MOST_SHOWN]} | {other[1][:MOST_SHOWN]}"
    if one[2] != other[2]:
        return f"headers {set(one[2].items()) ^ set(other[2].items())}"
    at = next((n for n, (a, b) in enumerate(zip(one[1], other[1], strict=False)) if a != b), 0)
    return f"{one[1][max(0, at - 60) : at + 60]!r} | {other[1][max(0, at - 60) : at + 60]!r}"
