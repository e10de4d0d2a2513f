"""Change the key of the environment: what the one before sealed is sealed by WICKROUND_TEXT_KEY instead."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from accounts import queries as accounts
from accounts.commands.second_factor import seal_secrets_anew
from accounts.errors import Refusal
from accounts.permissions import system_actor
from servicing.commands.entries import reseal_codes
from servicing.commands.personal import rewrap_keys


class Command(BaseCommand):
    help = (
        "Set the new WICKROUND_TEXT_KEY and the old one as WICKROUND_TEXT_KEY_BEFORE everywhere, run this, then take "
        "WICKROUND_TEXT_KEY_BEFORE away. No text is encrypted anew: the keys of persons are, the codes of sites, and what "
        "second factors are made of. Run again it does the same once more."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        wrapped = codes = 0
        for operator_id in accounts.operator_ids():
            actor = system_actor(operator_id)
            try:
                wrapped += rewrap_keys(actor=actor)
                codes += reseal_codes(actor=actor)
            except Refusal as refusal:
                raise CommandError(f"{operator_id}: {refusal.detail}") from None
        try:
            factors = seal_secrets_anew()
        except Refusal as refusal:
            raise CommandError(refusal.detail) from None
        self.stdout.write(
            f"{wrapped} keys of persons, {codes} codes of sites and {factors} second factors are sealed by the present "
            "WICKROUND_TEXT_KEY."
        )
