"""The pages of the set-up: their own line of words."""

from __future__ import annotations

from typing import Any

from django import template
from django.template import Context

from accounts.languages import N_
from accounts.permissions import Permission
from config.templatetags.books import words_seen

register = template.Library()

# Word, address, who may see it, and the addresses below it.
WORDS: tuple[tuple[str, str, Permission, set[str]], ...] = (
    (N_("Overview"), "set-up", Permission.DEVICES_MANAGE, {"begin"}),
    (
        N_("Customers"),
        "customers",
        Permission.CUSTOMERS_MANAGE,
        {"customer", "new-customer", "customer-record-links"},
    ),
    (
        N_("Sites"),
        "sites-set-up",
        Permission.SITES_MANAGE,
        {
            "site-set-up",
            "new-site",
            "add-agreement",
            "follow-agreement",
            "end-agreement",
            "add-contact",
            "change-contact",
            "site-rooms",
            "site-room",
            "site-station",
        },
    ),
    (N_("Standstills"), "standstills", Permission.EVENTS_RECORD, {"begin-standstill", "end-standstill"}),
    (
        N_("Liquids and units"),
        "fleet-set-up",
        Permission.FLEET_MANAGE,
        {"add-unit-model", "add-liquid", "add-cartridge", "change-liquid"},
    ),
    (N_("Labels"), "labels", Permission.FLEET_MANAGE, {"print-labels"}),
    (N_("Safety data sheets"), "safety-sheets", Permission.FLEET_MANAGE, {"add-safety-sheet"}),
    (
        N_("Crews and phones"),
        "crews-set-up",
        Permission.CREWS_MANAGE,
        {"crew-set-up", "add-crew", "register-phone", "stop-crew"},
    ),
    (
        N_("People"),
        "members",
        Permission.MEMBERS_MANAGE,
        {"member", "invite-member", "invite-again", "people-named", "person-named"},
    ),
    (
        N_("Programs"),
        "programs",
        Permission.INTEGRATIONS_MANAGE,
        {"program", "new-program", "new-program-secret"},
    ),
    (N_("Audit"), "audit", Permission.AUDIT_READ, set()),
    (N_("Failed work"), "quarantine", Permission.OPERATOR_MANAGE, {"give-up-job", "give-up-kind"}),
    (N_("Rules"), "service-rules", Permission.OPERATOR_MANAGE, set()),
    (N_("Import"), "import", Permission.FLEET_MANAGE, {"import-rows", "import-one", "import-one-rows"}),
    (
        N_("Operator"),
        "operator",
        Permission.OPERATOR_MANAGE,
        {"support", "everything", "close-operator"},
    ),
)


@register.inclusion_tag("accounts/words.html", takes_context=True)
def set_up_words(context: Context) -> dict[str, Any]:
    """The second line of navigation, inside the set-up: only what the role may see."""
    return {"words": words_seen(context, WORDS)}
