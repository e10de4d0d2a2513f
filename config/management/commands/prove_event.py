"""Print the proof that a sealed block holds an event, for whoever has an anchor. How to check it: docs/proof.md."""

from __future__ import annotations

import dataclasses
import json
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.errors import NotFound, Refusal
from accounts.permissions import system_actor
from servicing.queries import seals


class Command(BaseCommand):
    help = "Print the proof of an event as JSON: the event, its audit path, and the seals from its block to the newest."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("event", type=UUID, metavar="EVENT_ID")
        parser.add_argument("--operator", default="", metavar="SLUG", help="look in this operator's log only")

    def handle(self, *args: Any, **options: Any) -> None:
        for operator_id in accounts.operator_ids(options["operator"]):
            try:
                with tenancy.reading(system_actor(operator_id)):
                    proof = seals.get_proof(options["event"])
            except NotFound:
                continue
            except Refusal as refusal:
                raise CommandError(refusal.detail) from None
            self.stdout.write(json.dumps(dataclasses.asdict(proof), ensure_ascii=False, indent=1))
            return
        raise CommandError("There is no event with this id.")
