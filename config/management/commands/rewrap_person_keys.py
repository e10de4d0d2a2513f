"""Change the key of the environment: what the one before sealed is sealed by WICKROUND_TEXT_KEY instead."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from accounts import queries as accounts
from accounts.commands.second_factor import seal_secrets_anew
from accounts.errors import Refusal
from accounts.permissions import system_actor
from billing.commands.webhooks.resealing import reseal_secrets
from servicing.commands.entries import reseal_codes
from servicing.commands.personal import rewrap_keys

OF_AN_OPERATOR = {
    "keys of persons": rewrap_keys,
    "codes of sites": reseal_codes,
    "secrets of webhooks": reseal_secrets,
}


class Command(BaseCommand):
    help = (
        "Set the new WICKROUND_TEXT_KEY and the old one as WICKROUND_TEXT_KEY_BEFORE everywhere, run this, then take "
        "WICKROUND_TEXT_KEY_BEFORE away. It seals anew the keys of persons, the codes of sites, the secrets of webhooks and "
        "what second factors are made of; no text is encrypted anew. It can be run again."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        done = dict.fromkeys(OF_AN_OPERATOR, 0)
        for operator_id in accounts.operator_ids():
            try:
                for words, anew in OF_AN_OPERATOR.items():
                    done[words] += anew(actor=system_actor(operator_id))
            except Refusal as refusal:
                raise CommandError(f"{operator_id}: {refusal.detail}") from None
        try:
            done["second factors"] = seal_secrets_anew()
        except Refusal as refusal:
            raise CommandError(refusal.detail) from None
        said = ", ".join(f"{count} {words}" for words, count in done.items())
        self.stdout.write(f"Sealed by the present WICKROUND_TEXT_KEY: {said}.")
