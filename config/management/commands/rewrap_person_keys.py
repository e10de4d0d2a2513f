"""Change the key of the environment: wrap every person's key by WICKROUND_TEXT_KEY instead of the one before."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from accounts import queries as accounts
from accounts.errors import Refusal
from accounts.permissions import system_actor
from servicing.commands.personal import rewrap_keys


class Command(BaseCommand):
    help = (
        "Set the new WICKROUND_TEXT_KEY and the old one as WICKROUND_TEXT_KEY_BEFORE everywhere, run this, then take "
        "WICKROUND_TEXT_KEY_BEFORE away. No text is encrypted anew."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        wrapped = 0
        for operator_id in accounts.operator_ids():
            try:
                wrapped += rewrap_keys(actor=system_actor(operator_id))
            except Refusal as refusal:
                raise CommandError(f"{operator_id}: {refusal.detail}") from None
        self.stdout.write(f"{wrapped} keys are wrapped by the present WICKROUND_TEXT_KEY.")
