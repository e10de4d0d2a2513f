"""Who may do what: one table of roles and permissions, and the actor that every command takes first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

from accounts.errors import Forbidden
from accounts.languages import N_, _


class Role(StrEnum):
    OWNER = "owner"
    DISPATCHER = "dispatcher"
    CREW_MEMBER = "crew_member"
    BOOKKEEPER = "bookkeeper"
    VIEWER = "viewer"
    NETWORK = "network"


ROLE_WORDS = {
    Role.OWNER: N_("owner"),
    Role.DISPATCHER: N_("dispatcher"),
    Role.CREW_MEMBER: N_("crew member"),
    Role.BOOKKEEPER: N_("bookkeeper"),
    Role.VIEWER: N_("viewer"),
    Role.NETWORK: N_("network"),
}


class Permission(StrEnum):
    AGREEMENTS_MANAGE = "agreements:manage"
    AGREEMENTS_READ = "agreements:read"
    ALERTS_ACKNOWLEDGE = "alerts:acknowledge"
    ALERTS_READ = "alerts:read"
    BOOKS_MAP = "books:map"
    CHANGES_READ = "changes:read"
    CONTRACTS_MANAGE = "contracts:manage"
    CREWS_MANAGE = "crews:manage"
    CREWS_READ = "crews:read"
    CUSTOMERS_MANAGE = "customers:manage"
    CUSTOMERS_READ = "customers:read"
    DEVICES_MANAGE = "devices:manage"
    DOCUMENTS_SEND = "documents:send"
    EVENTS_COUNTER = "events:counter"
    EVENTS_READ = "events:read"
    EVENTS_RECORD = "events:record"
    FIGURES_READ = "figures:read"
    FLEET_MANAGE = "fleet:manage"
    INTEGRATIONS_MANAGE = "integrations:manage"
    INVOICES_ISSUE = "invoices:issue"
    INVOICES_READ = "invoices:read"
    JOURNAL_READ = "journal:read"
    MEMBERS_MANAGE = "members:manage"
    OPERATOR_MANAGE = "operator:manage"
    OWN_SETTINGS = "own-settings:manage"
    PAYMENTS_READ = "payments:read"
    PAYMENTS_RECORD = "payments:record"
    PRICES_MANAGE = "prices:manage"
    RECORDS_SHARE = "records:share"
    ROYALTY_MANAGE = "royalty:manage"
    ROYALTY_READ = "royalty:read"
    SITES_MANAGE = "sites:manage"
    SITES_READ = "sites:read"
    TEXTS_ERASE = "texts:erase"
    TEXTS_READ = "texts:read"
    UNITS_READ = "units:read"
    VISITS_PLAN = "visits:plan"


_READ_FIELD = {
    Permission.ALERTS_READ,
    Permission.CREWS_READ,
    Permission.EVENTS_READ,
    Permission.OWN_SETTINGS,
    Permission.SITES_READ,
    Permission.UNITS_READ,
}
_DISPATCH = _READ_FIELD | {
    Permission.AGREEMENTS_MANAGE,
    Permission.AGREEMENTS_READ,
    Permission.ALERTS_ACKNOWLEDGE,
    Permission.CREWS_MANAGE,
    Permission.CUSTOMERS_MANAGE,
    Permission.CUSTOMERS_READ,
    Permission.DEVICES_MANAGE,
    Permission.EVENTS_COUNTER,
    Permission.EVENTS_RECORD,
    Permission.FIGURES_READ,
    Permission.FLEET_MANAGE,
    Permission.RECORDS_SHARE,
    Permission.SITES_MANAGE,
    Permission.TEXTS_READ,
    Permission.VISITS_PLAN,
}

_READ_BOOKS = {
    Permission.CHANGES_READ,
    Permission.INVOICES_READ,
    Permission.JOURNAL_READ,
    Permission.PAYMENTS_READ,
}

ROLE_PERMISSIONS: dict[Role, frozenset[Permission]] = {
    Role.OWNER: frozenset(Permission),
    Role.DISPATCHER: frozenset(_DISPATCH),
    Role.CREW_MEMBER: frozenset(_READ_FIELD | {Permission.EVENTS_RECORD, Permission.TEXTS_READ}),
    Role.BOOKKEEPER: frozenset(
        _READ_FIELD
        | _READ_BOOKS
        | {
            Permission.AGREEMENTS_READ,
            Permission.BOOKS_MAP,
            Permission.CONTRACTS_MANAGE,
            Permission.CUSTOMERS_READ,
            Permission.DOCUMENTS_SEND,
            Permission.FIGURES_READ,
            Permission.INVOICES_ISSUE,
            Permission.PAYMENTS_RECORD,
            Permission.PRICES_MANAGE,
            Permission.ROYALTY_MANAGE,
            Permission.ROYALTY_READ,
        }
    ),
    Role.VIEWER: frozenset(
        _READ_FIELD
        | _READ_BOOKS
        | {
            Permission.AGREEMENTS_READ,
            Permission.CUSTOMERS_READ,
            Permission.FIGURES_READ,
        }
    ),
    # The franchise's network: its statements, and nothing else of the operator.
    Role.NETWORK: frozenset({Permission.OWN_SETTINGS, Permission.ROYALTY_READ}),
}


def home_of(role: Role) -> str:
    """The page on which a role begins: its name among the addresses."""
    return "lookout" if Permission.ALERTS_READ in ROLE_PERMISSIONS[role] else "royalty"


class ActorKind(StrEnum):
    CLIENT = "client"
    DEVICE = "device"
    MEMBER = "member"
    SYSTEM = "system"


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts for which operator. ``id`` is the member's, device's or client's id; None for the product itself."""

    operator_id: UUID
    kind: ActorKind
    role: Role
    id: UUID | None = None
    name: str = ""
    crew_id: UUID | None = None

    def may(self, permission: Permission) -> bool:
        return permission in ROLE_PERMISSIONS[self.role]


def system_actor(operator_id: UUID) -> Actor:
    return Actor(operator_id=operator_id, kind=ActorKind.SYSTEM, role=Role.OWNER, name="Wickround")


def require(actor: Actor, permission: Permission) -> None:
    """Raise Forbidden unless the actor's role has the permission."""
    if not actor.may(permission):
        raise Forbidden(
            _(
                "Your role, {role}, may not do this. Ask an owner of the operator if you need it.",
                role=_(ROLE_WORDS[actor.role]),
            )
        )
