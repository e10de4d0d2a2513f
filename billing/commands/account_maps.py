"""Which account of a program's books each account of our ledger is."""

from __future__ import annotations

from uuid import UUID

from accounts import clock, tenancy
from accounts.errors import BadInput, NotFound, Problem
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.naming import name_problems, system_problems
from billing.models import AccountMapping
from billing.queries import naming, parties

MOST_ACCOUNT, MOST_NAME = 60, 120  # characters


def map_account(
    *,
    actor: Actor,
    system: str,
    account: str,
    external_account: str,
    external_name: str = "",
    legal_entity: str = "",
) -> AccountMapping:
    """Say what ``system``, a word that the program chose for itself, calls an account, or say it anew.

    For one legal entity (its code), or for all that have nothing of their own. BadInput for what can't be a number or a
    name; NotFound for an account that no entry stands on or may, and for an absent legal entity.
    """
    require(actor, Permission.BOOKS_MAP)
    problems = [
        *system_problems(system),
        *name_problems(external_account, "external_account", MOST_ACCOUNT),
        *name_problems(external_name, "external_name", MOST_NAME, least=0),
    ]
    if problems:
        raise BadInput(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)
    with tenancy.writing(actor):
        entity_id = parties.get_legal_entity(legal_entity).id if legal_entity else None
        _refuse_unused(account, entity_id)
        row, _made = AccountMapping.objects.update_or_create(
            system=system,
            legal_entity_id=entity_id,
            account=account,
            defaults={
                "external_account": external_account,
                "external_name": external_name,
                "set_at": clock.now(),
                "set_by": actor.id,
            },
        )
        return row


def unmap_account(*, actor: Actor, system: str, account: str, legal_entity: str = "") -> None:
    """Forget what a system calls an account. NotFound if it calls it nothing."""
    require(actor, Permission.BOOKS_MAP)
    with tenancy.writing(actor):
        naming.get_mapping(system, account, legal_entity).delete()


def _refuse_unused(account: str, entity_id: UUID | None) -> None:
    used = {one.number for one in naming.used_accounts() if entity_id in {None, one.entity_id}}
    if account not in used:
        detail = _("There is no account here with this number.")
        raise NotFound(
            _("{detail} Nothing was changed.", detail=detail),
            errors=[Problem("/account", "not-found", detail)],
        )
