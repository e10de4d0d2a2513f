"""A program follows the accounting feed while four processes write: none of what was committed may escape it.

The writers hold transactions open while others commit, and give up some of them. The reader stores its token after each
page, and sometimes dies before: then it may see again what came after the token it stored, and nothing else.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import time
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

import psycopg
from django.conf import settings
from django.test.utils import override_settings

from billing.queries import documents
from tests.api.callers import Api, signed_in
from tests.billing.books import APRIL, close, list_prices
from tests.cast import Cast, new_cast
from tests.drills.feed.writers import KINDS, Told, Written, write

SEED = 20_265
FORGETS_IN = 0.15
LIMITS = (20, 100, 500)
SHORT, FULL = 2_000, 100_000
MOST, MOST_FULL = 30, 300  # rows of one transaction
TARGET = "0 missed, 0 late, 0 foreign, 0 given up but seen, 0 other than stored, repeats only after the token last stored"
UNBOUND = (
    6_000_000,
    1_000_000,
)  # requests a minute, and at once: the reader is faster than a program need be
Key = tuple[str, UUID]


@dataclass
class Followed:
    """What the reader has stored, and what it went through."""

    versions: dict[Key, int] = field(default_factory=dict)
    objects: dict[Key, dict[str, Any] | None] = field(default_factory=dict)
    first_seen: dict[Key, float] = field(default_factory=dict)
    drained: list[tuple[float, float]] = field(default_factory=list)  # reads that found no more: begun, ended
    forgotten: set[tuple[Key, int]] = field(default_factory=set)
    pages: int = 0
    changes: int = 0
    restarts: int = 0
    repeated: int = 0
    repeated_though_stored: int = 0
    went_back: int = 0


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: at least 100,000 changes; else 2,000."""
    settings.SECRET_KEY = "only the drill signs with these words, and nobody else"
    cast, rival = new_cast("race"), new_cast("race-rival")
    number = _invoice(cast)
    print(f"drill: {len(KINDS)} processes write, one program follows", file=sys.stderr)
    with (
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
        override_settings(
            ALLOWED_HOSTS=["testserver"],
            RATE_LIMITS=dict.fromkeys(settings.RATE_LIMITS, UNBOUND),
            SECOND_FACTOR_NEEDED=False,
        ),
    ):
        written, followed = _race(superuser, cast, number, FULL if full else SHORT)
        figures = _figures(superuser, cast, rival, written, followed)
    wrong = (
        "missed",
        "late",
        "foreign",
        "given_up_but_seen",
        "other_than_stored",
        "repeated_though_stored",
        "went_back",
    )
    yield {
        "name": "feed.racing",
        "figures": figures,
        "target": TARGET,
        "ok": figures["changes"] >= (FULL if full else SHORT)
        and all(figures[name] > 0 for name in ("restarts", "repeated", "given_up", "removed"))
        and not any(figures[name] for name in wrong),
        "seed": SEED,
    }


def _invoice(cast: Cast) -> str:
    """An invoice of a month's work, of which credit notes can give back cent by cent."""
    cast.upload(cast.installed(at=datetime(2026, 4, 2, 9, tzinfo=UTC)))
    list_prices(cast, date(2026, 4, 1))
    close(cast, APRIL)
    with cast.reading():
        return str(documents.invoices_in_order()[0].number)


def _race(
    superuser: psycopg.Connection[Any], cast: Cast, number: str, wanted: int
) -> tuple[list[Written], Followed]:
    context, most = multiprocessing.get_context("spawn"), MOST_FULL if wanted > SHORT else MOST
    stopped = context.Event()
    ends, processes = [], []
    for index, kind in enumerate(KINDS):
        mine, theirs = context.Pipe(duplex=False)
        arguments = (kind, (cast.owner, number, most), SEED + index, stopped, theirs)
        process = context.Process(target=write, args=arguments, daemon=True)
        process.start()
        theirs.close()
        ends.append(mine)
        processes.append(process)
    reader = _Reader(signed_in(cast), random.Random(SEED))
    try:
        step, told = max(1, wanted // 10), 0
        while (made := _changes(superuser, cast)) < wanted:
            if made // step > told:
                told = made // step
                print(f"drill: {made:,} of {wanted:,} changes", file=sys.stderr)
            for _ in range(20):
                reader.read_on()
            dead = [process.pid for process in processes if not process.is_alive()]
            assert not dead, f"writers died: {dead}"
    finally:
        stopped.set()
    written = [end.recv() for end in ends]
    for process in processes:
        process.join()
    while reader.read_on(may_forget=False):
        pass
    return written, reader.followed


def _changes(superuser: psycopg.Connection[Any], cast: Cast) -> int:
    row = superuser.execute(
        "SELECT coalesce(sum(version), 0)::bigint FROM billing_change WHERE operator_id = %s",
        [cast.operator.id],
    ).fetchone()
    return int(row[0]) if row else 0


class _Reader:
    """A program with a store of its own: things and the token in it change together, a page at a time, or not at all."""

    def __init__(self, api: Api, draw: random.Random) -> None:
        self.api, self.draw = api, draw
        self.followed = Followed()
        self.token: str | None = None

    def read_on(self, *, may_forget: bool = True) -> bool:
        """A page; False when there was nothing more."""
        began = time.monotonic()
        asked = {"limit": self.draw.choice(LIMITS), **({"after": self.token} if self.token else {})}
        answer = self.api.read("accounting/changes", **asked)
        assert answer.status_code == 200, answer.content
        page, told = answer.json(), self.followed
        told.pages += 1
        forgets = may_forget and bool(page["changes"]) and self.draw.random() < FORGETS_IN
        seen = set()
        for change in page["changes"]:
            key, version = (change["kind"], UUID(change["id"])), change["version"]
            self._note(key, version)
            seen.add((key, version))
            if not forgets:
                told.versions[key], told.objects[key] = version, change["object"]
        if forgets:
            told.restarts += 1
            told.forgotten |= seen
            return True
        told.forgotten = set()
        self.token = page["next"]
        if not page["more"]:
            told.drained.append((began, time.monotonic()))
        return bool(page["more"])

    def _note(self, key: Key, version: int) -> None:
        told = self.followed
        told.changes += 1
        told.first_seen.setdefault(key, time.monotonic())
        stored = told.versions.get(key, 0)
        if (key, version) in told.forgotten:
            told.repeated += 1
        elif version == stored:
            told.repeated_though_stored += 1
        told.went_back += version < stored


def _figures(
    superuser: psycopg.Connection[Any], cast: Cast, rival: Cast, written: list[Written], followed: Followed
) -> dict[str, int]:
    rows = superuser.execute(
        "SELECT kind, object_id, version, gone FROM billing_change WHERE operator_id = %s", [cast.operator.id]
    ).fetchall()
    last = {(one.kind, one.id): one for writer in written for one in writer.told}
    given_up = {one for writer in written for one in writer.aborted}
    foreign = superuser.execute(
        "SELECT object_id FROM billing_change WHERE operator_id = %s", [rival.operator.id]
    ).fetchall()
    seen_ids = {object_id for _kind, object_id in followed.first_seen}
    return {
        "changes": sum(version for _, _, version, _ in rows),
        "things": len(rows),
        "pages": followed.pages,
        "restarts": followed.restarts,
        "repeated": followed.repeated,
        "given_up": len(given_up),
        "removed": sum(gone for *_, gone in rows),
        "waited_too_long": sum(writer.waited_too_long for writer in written),
        "missed": sum(followed.versions.get((kind, one), 0) != version for kind, one, version, _ in rows)
        + len(last.keys() - followed.versions.keys()),
        "late": _late(written, followed),
        "foreign": len(seen_ids & {row[0] for row in foreign}),
        "given_up_but_seen": len(given_up & seen_ids),
        "other_than_stored": sum(not _is_told(one, followed.objects) for one in last.values()),
        "repeated_though_stored": followed.repeated_though_stored,
        "went_back": followed.went_back,
    }


def _late(written: list[Written], followed: Followed) -> int:
    """Things that were committed before a read began that found no more, and that it had not been shown."""
    began, late = [one[0] for one in followed.drained], 0
    first: dict[Key, float] = {}
    for writer in written:
        for one in writer.told:
            first.setdefault((one.kind, one.id), one.at)
    for key, at in first.items():
        index = bisect_right(began, at)
        if index < len(began) and key in followed.first_seen:
            late += followed.first_seen[key] > followed.drained[index][1]
    return late


def _is_told(one: Told, objects: Mapping[Key, dict[str, Any] | None]) -> bool:
    """Whether the reader's last sight of a thing is as its writer left it."""
    shown = objects.get((one.kind, one.id))
    if one.content is None or shown is None:
        return one.content is None and shown is None
    flat = {**shown, **shown.get("billing_profile", {})}
    return all(flat[name] == value for name, value in one.content.items())
