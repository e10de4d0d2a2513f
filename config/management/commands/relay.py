"""Send what is owed to the workers, about once a second, until told to end. The clock's tick does it too, once a minute."""

from __future__ import annotations

import logging
import signal
import threading
import time
from types import FrameType
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import DatabaseError, close_old_connections, connections

from accounts import jobs
from config import starting
from config.celery import app

PAUSE_SECONDS = 0.5
# While there is something to send: so long do others gather.
SHORT_PAUSE_SECONDS = 0.1
LONGEST_PAUSE_SECONDS = 5.0
TIDY_EVERY_SECONDS = 5.0
SIGN_EVERY_SECONDS = 10.0
CALL_EVERY_SECONDS = 30.0

log = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Send what is owed to the workers until SIGTERM or Ctrl-C. Any number of relays may run beside each other."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="send what is due now, and end")

    def handle(self, *args: Any, **options: Any) -> None:
        starting.refuse()
        app.loader.import_default_modules()
        relay = Relay()
        if options["once"]:
            relay.send()
            relay.tidy_and_sign()
            return
        asked = threading.Event()

        def ask(_number: int, _frame: FrameType | None) -> None:
            asked.set()

        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, ask)
        while not asked.is_set():
            asked.wait(relay.round())


class Relay:
    """One relay: what it has sent, and when it last did the rest of its work. Instants are monotonic seconds."""

    def __init__(self) -> None:
        self.sent = 0
        self.pause_seconds = PAUSE_SECONDS
        self._tidied_at = self._signed_at = self._called_at = -CALL_EVERY_SECONDS

    def round(self) -> float:
        """Send what is due, and now and then the rest; gives for how long to wait.

        PostgreSQL or Redis may be away: then it is tried again, a little later each time.
        """
        try:
            sent = self.send()
            self.tidy_and_sign()
        except DatabaseError as fault:
            connections.close_all()
            return self._later(fault)
        except Exception as fault:  # noqa: BLE001 - whatever it is, what is owed is still owed
            return self._later(fault)
        self.pause_seconds = PAUSE_SECONDS
        return SHORT_PAUSE_SECONDS if sent else PAUSE_SECONDS

    def send(self) -> int:
        close_old_connections()
        sent = int(app.tasks["accounts.tasks.send_due"].run())
        self.sent += sent
        return sent

    def tidy_and_sign(self) -> None:
        """What it does besides sending, each at its own pace."""
        now = time.monotonic()
        if now - self._tidied_at >= TIDY_EVERY_SECONDS:
            app.tasks["accounts.tasks.tidy_up"].run()
            self._tidied_at = now
        if now - self._signed_at >= SIGN_EVERY_SECONDS:
            depth = jobs.depth()
            jobs.beat(
                jobs.RELAY,
                sent=self.sent,
                out=depth.out,
                due=depth.due,
                quarantined=depth.quarantined,
                oldest_due_seconds=round(depth.oldest_due_seconds, 1),
            )
            self._signed_at = now
        if now - self._called_at >= CALL_EVERY_SECONDS:
            app.tasks["accounts.tasks.call_workers"].run()
            self._called_at = now

    def _later(self, fault: Exception) -> float:
        log.warning("relay_waits seconds=%g fault=%s", self.pause_seconds, type(fault).__name__)
        pause, self.pause_seconds = self.pause_seconds, min(self.pause_seconds * 2, LONGEST_PAUSE_SECONDS)
        return pause
