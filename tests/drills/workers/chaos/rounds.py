"""One round: operators of its own, a storm over all parts, and the calm in which everything owed is to be done."""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import psycopg
from django.db import connections

from accounts import clock
from accounts.commands import clients, operators
from accounts.permissions import PROGRAM_SCOPES
from billing.commands import prices
from billing.commands.prices import NewPriceItem
from billing.commands.webhooks import endpoints
from tests.api.callers import token_for
from tests.billing.books import APRIL, close
from tests.billing.receivers import Receiver
from tests.cast import Cast, new_cast
from tests.drills.workers.chaos import judging
from tests.drills.workers.chaos.parts import Machine
from tests.drills.workers.chaos.writers import Books, Closer, Journal, Phase, Phone, Sender

PAUSES = (0.6, 1.8)  # seconds between two faults
OPERATORS, PHONES, UNITS = 2, 2, 60
FIRST, SECOND = datetime(2026, 5, 1, 6, tzinfo=UTC), datetime(2026, 6, 1, 6, tzinfo=UTC)
INSTALLED = datetime(2026, 4, 2, 9, tzinfo=UTC)
MONTH = "2026-05-01"
LATE_SECONDS = 90  # for whatever the calm brings after what the storm left


@dataclass(frozen=True)
class Size:
    """What a round is to have had at least; ``most_seconds``: a storm ends then whatever it had."""

    faults: int
    events: int
    most_seconds: float


@dataclass
class Came:
    """What came of a round. ``drained``: seconds from the last fault until nothing that was due by then was undone."""

    seed: int
    faults: Counter[str] = field(default_factory=Counter)
    judged: Counter[str] = field(default_factory=Counter)
    lags: list[float] = field(default_factory=list)
    storm_seconds: float = 0
    drained: float | None = None
    undone: int = 0
    refused: list[str] = field(default_factory=list)
    still_waiting: int = 0  # writers that never got their last answer
    put_aside: list[tuple[str, str, str]] = field(default_factory=list)
    unanswered: int = 0
    absorbed: int = 0


@dataclass
class Played:
    """An operator of the round and who writes for it."""

    cast: Cast
    phones: list[Phone]
    books: Books
    closer: Closer

    @property
    def senders(self) -> list[Sender]:
        return [*self.phones, self.books, self.closer]


def play(machine: Machine, receiver: Receiver, folder: Path, seed: int, size: Size) -> Came:
    """One round from its seed. Raises AssertionError when a writer failed."""
    connections.close_all()
    phase = Phase(FIRST, SECOND)
    played = [_played(machine, receiver, folder, seed * 10 + number, phase) for number in range(OPERATORS)]
    began = clock.now()
    here = _Round(machine, size, phase, played, Came(seed))
    here.storm(random.Random(seed))
    here.calm(last_fault_at=clock.now())
    came = here.came
    connections.close_all()
    with psycopg.connect(machine.servers.superuser_url, autocommit=True) as superuser:
        came.undone = judging.undone(superuser, clock.now())
        came.put_aside = judging.quarantined(superuser)
        came.lags = judging.lags(superuser, [one.cast.operator.id for one in played], began)
        for one in played:
            hints = _received(receiver, one.cast)
            came.judged.update(judging.judged(superuser, one.cast, one.phones, one.books, hints))
        refused = [line for one in played for sender in one.senders for line in sender.tally.refused]
    came.refused = [str(line)[:400] for line in refused]
    came.unanswered = sum(sender.tally.unanswered for one in played for sender in one.senders)
    came.absorbed = sum(phone.tally.duplicates for one in played for phone in one.phones)
    return came


def _played(machine: Machine, receiver: Receiver, folder: Path, seed: int, phase: Phase) -> Played:
    cast = new_cast(f"storm-{seed}", units=UNITS)
    for start in range(0, UNITS, 30):
        units = range(start, min(start + 30, UNITS))
        cast.upload(*(cast.installed(cast.units[number], INSTALLED, number) for number in units))
    exchange = NewPriceItem(
        "exchange", "Exchange", "event", Decimal("9.50"), APRIL, event_type="cartridge.exchanged"
    )
    month = NewPriceItem("month", "Unit and month", "unit_month", Decimal(30), APRIL)
    prices.add_price_items(actor=cast.owner, items=[exchange, month])
    # Months are closed in their order.
    close(cast, APRIL)
    endpoints.add_endpoint(
        actor=cast.owner,
        url=f"https://127.0.0.1:{receiver.port}/{cast.operator.slug}",
        kinds=["payment", "invoice"],
    )
    client, secret = clients.make_client(actor=cast.owner, name="Books", scopes=tuple(PROGRAM_SCOPES))
    token = token_for(client.client_id, secret)
    phones = [
        Phone(
            cast,
            machine.address,
            operators.register_device(actor=cast.owner, crew_id=cast.crew.id, label=f"Storm {number}")[1],
            Journal(folder / f"{seed}-{number}.jsonl"),
            seed * 10 + number,
            phase,
        )
        for number in range(PHONES)
    ]
    rest = (machine.address, token, Journal(folder / f"{seed}-books.jsonl"), seed, phase)
    closer = Closer(phones, MONTH, *rest, by_worker=bool(seed % 2))
    return Played(cast, phones, Books(str(cast.customer.id), *rest), closer)


@dataclass
class _Round:
    machine: Machine
    size: Size
    phase: Phase
    played: Sequence[Played]
    came: Came

    @property
    def senders(self) -> list[Sender]:
        return [sender for one in self.played for sender in one.senders]

    def storm(self, draw: random.Random) -> None:
        """Fault after fault; half way the phones leave the month that is then closed."""
        for sender in self.senders:
            sender.start()
        began = time.monotonic()
        next_at = began + draw.uniform(*PAUSES)
        while (now := time.monotonic()) - began < self.size.most_seconds and not self._has_enough():
            self.machine.look()
            if now >= next_at:
                if name := self.machine.fault(draw):
                    self.came.faults[name] += 1
                next_at = now + draw.uniform(*PAUSES)
            if self.came.faults.total() >= self.size.faults // 2:
                self.phase.is_over.set()
            time.sleep(0.05)
        self.phase.is_over.set()
        self.came.storm_seconds = time.monotonic() - began

    def _has_enough(self) -> bool:
        events = sum(phone.tally.acknowledged for one in self.played for phone in one.phones)
        return (
            self.came.faults.total() >= self.size.faults
            and events >= self.size.events
            and all(one.closer.is_answered for one in self.played)
        )

    def calm(self, *, last_fault_at: datetime) -> None:
        """Let the writers get their last answers, and the workers do what is owed."""
        began = time.monotonic()
        self.phase.stopped.set()
        while (since := time.monotonic() - began) < LATE_SECONDS:
            self.machine.look()
            if self.came.drained is None and _undone(self.machine, last_fault_at) == 0:
                self.came.drained = since
            is_answered = not any(sender.is_alive() for sender in self.senders)
            if is_answered and self.came.drained is not None and _undone(self.machine, clock.now()) == 0:
                break
            time.sleep(0.25)
        for sender in self.senders:
            assert sender.fault is None, repr(sender.fault)
        self.came.still_waiting = sum(sender.is_alive() for sender in self.senders)


def _undone(machine: Machine, until: datetime) -> int:
    try:
        with psycopg.connect(machine.servers.superuser_url, connect_timeout=2) as superuser:
            return judging.undone(superuser, until)
    except psycopg.OperationalError:  # not back yet
        return -1


def _received(receiver: Receiver, cast: Cast) -> list[str]:
    """The ids of the messages that came to an operator's address, each as often as it came."""
    mine = f"/{cast.operator.slug} "
    return [one.headers["webhook-id"] for one in list(receiver.received) if mine in one.line]
