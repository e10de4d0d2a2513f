"""Hold the books of each operator against what must always be true of them; for every night."""

from __future__ import annotations

import json
import time
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import system_actor
from accounts.phrases import count
from billing.commands import closing
from billing.queries.auditing.running import Audit, Breach, audit

SHOWN = 50


class Command(BaseCommand):
    help = (
        "Check sums, tax groups, dispositions, numbers, chains, credits, journal and royalty of the stored books; "
        "changes nothing. Exit status 1 if anything is broken, each breach as a sentence that names the row."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")
        parser.add_argument("--json", action="store_true", help="one JSON object an operator, a line each")
        parser.add_argument(
            "--replay",
            action="store_true",
            help="also rate every close again from the log at its cut (slow: as long as all closes took)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        operator_ids = accounts.operator_ids(options["operator"])
        if options["operator"] and not operator_ids:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        broken = 0
        for operator_id in operator_ids:
            began = time.monotonic()
            found = audit(operator_id)
            breaches = found.breaches + (_replayed(operator_id) if options["replay"] else [])
            broken += len(breaches)
            seconds = round(time.monotonic() - began, 1)
            self._tell(_slug(operator_id), found, breaches, seconds, as_json=options["json"])
        if broken:
            what = "1 breach" if broken == 1 else f"{broken:,} breaches"
            raise CommandError(f"The books have {what} of what must be true.", returncode=1)

    def _tell(
        self, slug: str, found: Audit, breaches: list[Breach], seconds: float, *, as_json: bool
    ) -> None:
        if as_json:
            line = {
                "operator": slug,
                "breaches": [{"invariant": one.invariant, "sentence": one.sentence} for one in breaches],
                "closes": found.closes,
                "charges": found.charges,
                "documents": found.documents,
                "seconds": seconds,
            }
            self.stdout.write(json.dumps(line, ensure_ascii=False))
            return
        for one in breaches[:SHOWN]:
            self.stdout.write(f"{slug}: invariant {one.invariant}: {one.sentence}")
        if len(breaches) > SHOWN:
            self.stdout.write(f"{slug}: and {len(breaches) - SHOWN} more")
        state = f"{len(breaches)} broken" if breaches else "all in order"
        looked = ", ".join(
            (
                count(found.closes, "close"),
                count(found.charges, "charge row"),
                count(found.documents, "document"),
            )
        )
        self.stdout.write(f"{slug}: {state}; {looked} in {seconds} s.")


def _replayed(operator_id: UUID) -> list[Breach]:
    """Invariant 4: the same inputs give the same bytes."""
    return [Breach(4, sentence) for sentence in closing.differences(operator_id)]


def _slug(operator_id: UUID) -> str:
    with tenancy.reading(system_actor(operator_id)):
        return str(accounts.get_operator().slug)
