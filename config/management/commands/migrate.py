"""Django's migrate, which never makes others wait for long: it gives up a lock early, lets them pass, and tries again.

Whoever waits for a lock that keeps readers out makes all wait who come after it, so a migration gives up well before a
request does (2 s). A migration that is one transaction is rolled back then and applied anew; of others the statement is
sent again. docs/operations.md says in which phases a release goes.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from django.core.management.base import CommandError, CommandParser, no_translations
from django.core.management.commands import migrate
from django.db import OperationalError, connections
from psycopg import errors as postgres

LOCK_MS = 200
STATEMENT_SECONDS = 60
PATIENCE_SECONDS = 600
# Grows with each attempt in vain, so that those who had to wait are all through before the next.
PAUSE_SECONDS, LONGEST_PAUSE_SECONDS = 1.0, 10.0
# What two runs at once take turns by.
LOCK = 7_765_320
# They wait for others without keeping anybody out, and may take as long as they take.
KEEPS_NOBODY_OUT = re.compile(r"\bCONCURRENTLY\b|\bVALIDATE CONSTRAINT\b", re.IGNORECASE)
# They are no transaction: what broke off in the middle is not undone, so that sending it again does not do it again.
BREAKS_OFF = re.compile(r"\bCONCURRENTLY\b", re.IGNORECASE)


class Command(migrate.Command):
    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.set_defaults(database="migrate")
        limits = parser.add_argument_group("how long others may have to wait")
        limits.add_argument("--lock-ms", type=int, default=LOCK_MS, help="give up a lock after so long")
        limits.add_argument(
            "--statement-seconds",
            type=int,
            default=STATEMENT_SECONDS,
            help="give up a statement of a migration that keeps its locks to its end; 0: never",
        )
        limits.add_argument(
            "--patience-seconds", type=int, default=PATIENCE_SECONDS, help="try again for so long"
        )

    @no_translations
    def handle(self, *args: Any, **options: Any) -> None:
        self.connection: Any = connections[options["database"]]
        self.limits = options
        self.pause_seconds = PAUSE_SECONDS
        self.gives_up_at = time.monotonic() + options["patience_seconds"]
        with self._alone(), self.connection.execute_wrapper(self._execute):
            while not self._applied(args, options):
                pass

    def _applied(self, args: Any, options: Any) -> bool:
        """Whether all is applied now; what is applied already stays so."""
        try:
            super().handle(*args, **options)
        except OperationalError as fault:
            self._wait_or_raise(fault)
            return False
        return True

    def migration_progress_callback(self, action: str, migration: Any = None, fake: bool = False) -> None:  # noqa: FBT001, FBT002
        if action in {"apply_start", "unapply_start"}:
            # What is not one transaction keeps no lock from one statement to the next.
            self._say(
                lock_timeout=self.limits["lock_ms"],
                statement_timeout=self.limits["statement_seconds"] * 1_000 if migration.atomic else 0,
            )
        super().migration_progress_callback(action, migration, fake)

    def _execute(self, execute: Callable[..., Any], sql: Any, params: Any, many: bool, context: Any) -> Any:  # noqa: FBT001
        """A statement; outside a transaction it is sent again when it could not have its lock."""
        if self.connection.in_atomic_block:
            return execute(sql, params, many, context)
        is_patient = bool(KEEPS_NOBODY_OUT.search(str(sql)))
        self._say(lock_timeout=0 if is_patient else self.limits["lock_ms"])
        while True:
            try:
                return execute(sql, params, many, context)
            except OperationalError as fault:
                if BREAKS_OFF.search(str(sql)) and isinstance(fault.__cause__, postgres.DeadlockDetected):
                    raise CommandError(
                        "An index that was being made beside others' work broke off, since they waited for each other. It "
                        "is there as invalid, and IF NOT EXISTS would pass it by: drop it, and run this again."
                    ) from fault
                self._wait_or_raise(fault)

    def _wait_or_raise(self, fault: OperationalError) -> None:
        cause = fault.__cause__
        if isinstance(cause, postgres.QueryCanceled):
            raise CommandError(
                f"A statement took longer than {self.limits['statement_seconds']} s while it kept others out, and was "
                "given up. Nothing of this migration is there. Do the work in batches or phases (docs/operations.md)."
            ) from fault
        if not isinstance(cause, postgres.LockNotAvailable | postgres.DeadlockDetected):
            raise fault
        if time.monotonic() > self.gives_up_at:
            raise CommandError(
                f"For {self.limits['patience_seconds']} s others held a table that a migration needs for a moment. "
                "What is done is done, the rest is as it was: run it again when long reports and backups have ended."
            ) from fault
        self.stderr.write("A table is in use; others pass, then it is tried again.")
        time.sleep(self.pause_seconds)
        self.pause_seconds = min(self.pause_seconds * 1.5, LONGEST_PAUSE_SECONDS)

    def _say(self, **milliseconds: int) -> None:
        """Limits of the session, past the wrapper."""
        self.connection.ensure_connection()
        with self.connection.connection.cursor() as cursor:
            for name, value in milliseconds.items():
                cursor.execute(f"SET {name} = {value:d}")

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Two runs take turns: the second finds the work of the first done."""
        with self.connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_lock(%s)", [LOCK])
        try:
            yield
        finally:
            if self.connection.connection is not None and not self.connection.connection.closed:
                self._say(lock_timeout=0, statement_timeout=0)
                with self.connection.cursor() as cursor:
                    cursor.execute("SELECT pg_advisory_unlock(%s)", [LOCK])
