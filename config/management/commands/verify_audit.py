"""Read the audit again and say whether it still is what was noted, and what was kept of it elsewhere."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import clock, queries, tenancy
from accounts.permissions import system_actor
from accounts.phrases import count
from accounts.queries import AuditHead, Checked


class Command(BaseCommand):
    help = (
        "Hash every entry of the audit again, compare the chain, and hold it against heads kept elsewhere. Without a head, "
        "entries that were taken away at the end, or all made anew, are not found. Exit status 1 if anything is wrong."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("operator", nargs="?", default="", metavar="SLUG", help="this operator only")
        parser.add_argument(
            "--head",
            nargs="+",
            default=[],
            type=Path,
            metavar="FILE",
            help="heads as --print-head printed them, one a line",
        )
        parser.add_argument(
            "--print-head",
            action="store_true",
            help="print the last entry of each sound audit as one line of JSON, to be kept elsewhere; the rest on stderr",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        heads = [head for path in options["head"] for head in _heads(path)]
        operator_ids = queries.operator_ids(options["operator"])
        if options["operator"] and not operator_ids:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        wrong = 0
        if not options["operator"]:
            for stranger in sorted({one for one, _ in heads} - {str(one) for one in operator_ids}):
                self.stdout.write(f"head: operator {stranger} has a head and is not here")
                wrong += 1
        for operator_id in operator_ids:
            known = [head for one, head in heads if one == str(operator_id)]
            wrong += self._verified(operator_id, known, print_head=options["print_head"])
        if wrong:
            raise CommandError(f"{wrong} of the audits are not as they were noted.", returncode=1)

    def _verified(self, operator_id: UUID, heads: list[AuditHead], *, print_head: bool) -> bool:
        with tenancy.reading(system_actor(operator_id)):
            slug = queries.get_operator().slug
            found = queries.check_audit(heads)
        out = self.stderr if print_head else self.stdout
        for fault in found.faults:
            out.write(f"{slug}: entry {fault.number}: {fault.detail}")
        out.write(f"{slug}: {_summary(found, heads)}")
        if print_head and found.entries and not found.faults:
            head = {
                "operator_id": str(operator_id),
                "slug": slug,
                "number": found.head.number,
                "hash": found.head.hash.hex(),
                "checked_at": clock.now().isoformat(),
            }
            self.stdout.write(json.dumps(head))
        return bool(found.faults)


def _summary(found: Checked, heads: list[AuditHead]) -> str:
    held = (
        f"held against {count(len(heads), 'head')}"
        if heads
        else "held against no head, so entries taken away at the end, or all made anew, would not show"
    )
    state = "is not as it was noted" if found.faults else "is as it was noted"
    return f"{state}; entries read: {found.entries:,}, {held}."


def _heads(path: Path) -> list[tuple[str, AuditHead]]:
    try:
        lines = [json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip()]
        heads = [
            (str(UUID(line["operator_id"])), AuditHead(int(line["number"]), bytes.fromhex(line["hash"])))
            for line in lines
        ]
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise CommandError(f"{path} can't be read as heads: {fault}.") from None
    if not heads:
        raise CommandError(f"{path} holds no head.")
    return heads
