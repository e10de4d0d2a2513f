"""Phones that were offline, and a program that records payments: they send until they are answered, some of it twice.

What each means to send it writes down before, and what was acknowledged after, both to the disk: against that the end is judged.
"""

from __future__ import annotations

import abc
import http.client
import json
import os
import random
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from http import HTTPStatus
from pathlib import Path
from typing import Any
from uuid import uuid4

from accounts.ids import uuid7
from tests.cast import Cast

SENT_TWICE = 0.4
BATCH = (40, 100)
OFFLINE = (1, 3)  # batches that pile up before a phone is online again
TIMEOUT_SECONDS = 20
TYPES = ("level.read",) * 5 + ("reservoir.cleaned", "wick.washed", "cartridge.exchanged")
FAULTS = (OSError, http.client.HTTPException, ValueError)  # half an answer is none


@dataclass
class Journal:
    """Lines on the disk, each there before the next thing is done."""

    path: Path

    def __post_init__(self) -> None:
        self._file = self.path.open("a")

    def write(self, word: str, value: Any) -> None:
        self._file.write(json.dumps([word, value]) + "\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def lines(self) -> Iterable[tuple[str, Any]]:
        for line in self.path.read_text().splitlines():
            word, value = json.loads(line)
            yield word, value


@dataclass
class Tally:
    """What the writers of a round saw."""

    acknowledged: int = 0
    duplicates: int = 0
    unanswered: int = 0
    refused: list[Any] = field(default_factory=list)


class Phase:
    """The month that phones work in: the one to be closed, until it is over; then the next."""

    def __init__(self, first: datetime, second: datetime) -> None:
        self.first, self.second = first, second
        self.is_over = threading.Event()
        self.stopped = threading.Event()

    @property
    def start(self) -> datetime:
        return self.second if self.is_over.is_set() else self.first


class Sender(threading.Thread, abc.ABC):
    """Asks until it is answered."""

    def __init__(self, address: str, token: str, journal: Journal, seed: int, phase: Phase) -> None:
        super().__init__(daemon=True)
        self.address, self.token, self.journal, self.phase = address, token, journal, phase
        self.draw = random.Random(seed)
        self.tally = Tally()
        self.fault: BaseException | None = None

    def run(self) -> None:
        try:
            self.work()
        except BaseException as fault:  # noqa: BLE001 - told at the end
            self.fault = fault

    @abc.abstractmethod
    def work(self) -> None:
        """What it goes on doing until it is told to stop."""

    def post(self, path: str, body: Any, headers: Mapping[str, str] | None = None) -> tuple[int, Any]:
        """The answer, after as many tries as it takes; one that says to come again later is none."""
        request = urllib.request.Request(
            f"{self.address}/api/v1/{path}",
            json.dumps(body).encode(),
            {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json", **(headers or {})},
        )
        while True:
            try:
                status, said = _asked(request)
                if not _is_for_later(status, said):
                    return status, json.loads(said)
            except FAULTS:
                pass
            self.tally.unanswered += 1
            time.sleep(self.draw.uniform(0.05, 0.4))


def _asked(request: urllib.request.Request) -> tuple[int, bytes]:
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_SECONDS) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as refusal:
        with refusal:
            return refusal.code, refusal.read()


def _is_for_later(status: int, said: bytes) -> bool:
    return (
        status >= HTTPStatus.INTERNAL_SERVER_ERROR
        or status == HTTPStatus.TOO_MANY_REQUESTS
        or (status == HTTPStatus.CONFLICT and b"request-in-progress" in said)
    )


class Phone(Sender):
    """One device of a crew: days of work that pile up, come in any order and any slices, and partly again."""

    def __init__(self, cast: Cast, *rest: Any) -> None:
        super().__init__(*rest)
        self.cast = cast
        self.sequence = 0
        self.has_left_first = threading.Event()

    def work(self) -> None:
        while not self.phase.stopped.is_set():
            is_second = self.phase.is_over.is_set()
            if is_second:
                self.has_left_first.set()
            events = [
                event
                for _ in range(self.draw.randint(*OFFLINE))
                for event in self._day(
                    self.draw.randint(*BATCH), self.phase.second if is_second else self.phase.first
                )
            ]
            self.journal.write("means", events)
            self.draw.shuffle(events)
            self._send(events)
        self.has_left_first.set()

    def _send(self, events: list[dict[str, Any]]) -> None:
        batches = []
        while events:
            size = self.draw.randint(*BATCH)
            batches.append(events[:size])
            events = events[size:]
        batches += [one for one in batches if self.draw.random() < SENT_TWICE]
        self.draw.shuffle(batches)
        for batch in batches:
            status, answer = self.post("service-events", {"events": batch})
            if status != HTTPStatus.OK:
                self.tally.refused.append((status, answer))
                continue
            fates = answer["fates"]
            taken = [one["id"] for one in fates if one["fate"] in {"accepted", "duplicate"}]
            self.journal.write("acknowledged", taken)
            self.tally.acknowledged += sum(one["fate"] == "accepted" for one in fates)
            self.tally.duplicates += sum(one["fate"] == "duplicate" for one in fates)
            self.tally.refused += [one for one in fates if one["fate"] not in {"accepted", "duplicate"}]

    def _day(self, count: int, start: datetime) -> list[dict[str, Any]]:
        at = start + timedelta(days=self.draw.randrange(0, 13), seconds=self.draw.randrange(40_000))
        events = []
        for _ in range(count):
            self.sequence += 1
            at += timedelta(seconds=self.draw.uniform(20, 90))
            events.append(self._event(at))
        return events

    def _event(self, at: datetime) -> dict[str, Any]:
        kind, unit = self.draw.choice(TYPES), self.draw.choice(self.cast.units)
        if kind == "cartridge.exchanged":
            event = self.cast.exchanged(unit, at)
        elif kind == "level.read":
            left = self.draw.randint(10, 200)
            event = self.cast.event(kind, unit, at, cartridge_left_ml=left, reservoir_ml=20)
        else:
            event = self.cast.event(kind, unit, at)
        return {**event, "device_sequence": self.sequence}


class Books(Sender):
    """A program that records payments, each under a key of its own, and some of them twice."""

    def __init__(self, customer_id: str, *rest: Any) -> None:
        super().__init__(*rest)
        self.customer_id = customer_id
        self.repeated_otherwise = 0

    def work(self) -> None:
        number = 0
        while not self.phase.stopped.is_set():
            number += 1
            external = f"bank-{self.draw.getrandbits(64):016x}-{number}"
            body = [
                {
                    "customer": self.customer_id,
                    "received_on": "2026-06-10",
                    "amount": f"{self.draw.randint(1, 9_999)}.{self.draw.randint(0, 99):02}",
                    "method": "transfer",
                    "reference": external,
                    "external_id": external,
                }
            ]
            key = {"Idempotency-Key": f'"{uuid4()}"'}
            self.journal.write("means", external)
            ids = set()
            for _ in range(2 if self.draw.random() < SENT_TWICE else 1):
                status, answer = self.post("payments", body, key)
                if status != HTTPStatus.CREATED:
                    self.tally.refused.append((status, answer))
                    break
                ids.add(answer[0]["id"])
            else:
                self.journal.write("acknowledged", [external, answer[0]["id"]])
                self.tally.acknowledged += 1
            self.repeated_otherwise += max(0, len(ids) - 1)
            time.sleep(self.draw.uniform(0.2, 0.8))


class Closer(Sender):
    """Closes the month once the phones have left it; asks for as long as it takes. With ``by_worker`` it is left to a worker."""

    def __init__(self, phones: Iterable[Phone], month: str, *rest: Any, by_worker: bool) -> None:
        super().__init__(*rest)
        self.phones, self.month, self.by_worker = list(phones), month, by_worker
        self.is_answered = False

    def work(self) -> None:
        self.phase.is_over.wait()
        for phone in self.phones:
            phone.has_left_first.wait()
        body = {"month": self.month, "leave_held": True}
        headers = {"Idempotency-Key": f'"{uuid7()}"'}
        if self.by_worker:
            headers["Prefer"] = "respond-async"
        status, answer = self.post("month-closes", body, headers)
        if status != (HTTPStatus.ACCEPTED if self.by_worker else HTTPStatus.CREATED):
            self.tally.refused.append((status, answer))
        self.is_answered = True
