"""Close an operator for good: everything is written out and checked, then everything is deleted."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import origin, queries
from accounts.commands import emptying
from accounts.errors import Refusal
from accounts.permissions import Actor, system_actor
from config.exporting.filing import write_file
from config.exporting.reading_back import digest_of, faults, manifest_of, missing

# A request that was let in before the doors are shut has ended by then.
SECONDS_FOR_THE_LAST = 10


class Command(BaseCommand):
    help = (
        "Write everything of an operator to a file and check it, then delete the operator: every row of it, and the people "
        "who work for nobody else. Only once its owner asked for it and the day has come; there is no way around that. "
        "Connects as the tables' owner (DATABASE_MIGRATE_URL). Interrupted, run it again with the same file."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("slug", metavar="SLUG", help="the operator's address")
        parser.add_argument(
            "--export", required=True, type=Path, metavar="FILE.zip", help="where everything is written to"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        slug, path = options["slug"], options["export"]
        found = queries.operator_ids(slug)
        if not slug or not found:
            raise CommandError(f"There is no operator with the address /{slug}/.")
        try:
            with origin.coming_from(origin.Origin(door="command close_operator")):
                self._close(found[0], slug, path)
        except (Refusal, OSError, ValueError) as fault:
            raise CommandError(str(fault)) from None

    def _close(self, operator_id: UUID, slug: str, path: Path) -> None:
        closing = emptying.due_closing(operator_id)
        with emptying.one_closing_at_a_time(operator_id):
            if closing.exported_at is None:
                self._write_out(operator_id, path)
            _refuse_other_file(operator_id, emptying.due_closing(operator_id).export_digest, path)
            emptied = emptying.empty(operator_id, self._told)
        left = emptying.left(operator_id)
        if left:
            raise CommandError(f"Rows are left, run this again: {left}.")
        self.stdout.write(
            f"{slug} is deleted: {sum(emptied.rows.values())} rows and {emptied.people} people in this run; 0 rows are left."
        )
        self.stdout.write(f"{path} holds everything that was. Hand it to the owner, and delete it here.")

    def _write_out(self, operator_id: UUID, path: Path) -> None:
        actor = system_actor(operator_id)
        manifest = write_file(actor, path)
        _refuse_lacking(actor, manifest, path)
        heads = (manifest["log_position"], manifest["audit_number"])
        emptying.shut(operator_id, heads=heads)
        self.stdout.write("Nobody is let in any more.")
        time.sleep(SECONDS_FOR_THE_LAST)
        # What stands neither in the log nor in the audit, such as a photo, is counted.
        _refuse_lacking(actor, manifest, path)
        emptying.note_written_out(operator_id, heads=heads, digest=digest_of(path))
        self.stdout.write(f"{path} holds everything.")

    def _told(self, table: str, rows: int) -> None:
        if rows:
            self.stderr.write(f"{table}: {rows} rows deleted")


def _refuse_lacking(actor: Actor, manifest: dict[str, Any], path: Path) -> None:
    lacking = missing(actor, manifest)
    if lacking:
        raise CommandError(
            f"{path} lacks something, nothing was deleted: {lacking[0]} Move that file away and run this again."
        )


def _refuse_other_file(operator_id: UUID, digest: str, path: Path) -> None:
    """What was written out must be at hand still, as it was."""
    if not path.exists() or digest_of(path) != digest:
        raise CommandError(
            f"{path} is not the file with everything, whose SHA-256 is {digest}. Nothing was deleted now."
        )
    wrong = faults(path)
    if wrong or manifest_of(path)["operator"]["id"] != str(operator_id):
        raise CommandError(f"{path} is not whole: {wrong}. Nothing was deleted now.")
