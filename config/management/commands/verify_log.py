"""Read the sealed log again and say whether it still is what was sealed, and what was anchored outside."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import system_actor
from accounts.phrases import count
from servicing.queries.verifying import Verification, verify

ANCHOR_FIELDS = {"operator_id", "number", "root", "seal_hash", "count", "position", "sealed_at"}
TELL_EVERY = 100_000


class Command(BaseCommand):
    help = (
        "Hash every sealed event again, compare blocks and chain, and hold them against anchors kept outside. "
        "Without an anchor, a history that was changed and sealed anew is not found. Exit status 1 if anything is wrong."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")
        parser.add_argument(
            "--anchor",
            nargs="+",
            default=[],
            type=Path,
            metavar="FILE",
            help="anchors as `manage.py anchor` printed them, one a line",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        anchors = [anchor for path in options["anchor"] for anchor in _anchors(path)]
        operator_ids = accounts.operator_ids(options["operator"])
        if options["operator"] and not operator_ids:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        wrong = 0
        if not options["operator"]:
            strangers = {str(one["operator_id"]) for one in anchors} - {str(one) for one in operator_ids}
            for stranger in sorted(strangers):
                self.stdout.write(f"anchor: operator {stranger} has an anchor and is not here")
            wrong += len(strangers)
        for operator_id in operator_ids:
            wrong += self._verified(operator_id, anchors)
        if wrong:
            raise CommandError(f"{wrong} of the logs are not what was sealed.", returncode=1)

    def _verified(self, operator_id: UUID, anchors: list[dict[str, Any]]) -> bool:
        with tenancy.reading(system_actor(operator_id)):
            slug = accounts.get_operator().slug
            found = verify(anchors, tell=_Telling(slug))
        for fault in found.faults:
            self.stdout.write(f"{slug}: {fault.kind}: {fault.detail}")
        self.stdout.write(f"{slug}: {_summary(found)}")
        return bool(found.faults)


class _Telling:
    """Progress on stderr, now and then."""

    def __init__(self, slug: str) -> None:
        self.slug, self.next = slug, TELL_EVERY

    def __call__(self, events: int) -> None:
        if events >= self.next:
            print(f"{self.slug}: {events:,} events read", file=sys.stderr)
            self.next = events + TELL_EVERY


def _summary(found: Verification) -> str:
    held = (
        f"held against {count(found.anchors, 'anchor')}"
        if found.anchors
        else "held against no anchor, so only changes that left the seals alone would show"
    )
    state = "is not as sealed" if found.faults else "is as sealed"
    return (
        f"{state}; {count(found.events, 'event')} under {count(found.seals, 'seal')}, {held}. "
        f"Not covered: {count(found.unsealed, 'event')} after the last seal."
    )


def _anchors(path: Path) -> list[dict[str, Any]]:
    try:
        lines = [json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip()]
    except (OSError, ValueError) as fault:
        raise CommandError(f"{path} can't be read as anchors: {fault}.") from None
    if not lines:
        raise CommandError(f"{path} holds no anchor.")
    for number, line in enumerate(lines, 1):
        if not isinstance(line, dict) or line.keys() < ANCHOR_FIELDS:
            raise CommandError(f"{path}, line {number}: this is no anchor.")
    return lines
