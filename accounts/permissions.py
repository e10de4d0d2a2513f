"""Who may do what: one table of roles and permissions, and the actor that every command takes first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
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
    AUDIT_READ = "audit:read"
    BOOKS_MAP = "books:map"
    CHANGES_READ = "changes:read"
    CONTRACTS_MANAGE = "contracts:manage"
    CREWS_MANAGE = "crews:manage"
    CREWS_READ = "crews:read"
    CUSTOMERS_MANAGE = "customers:manage"
    CUSTOMERS_READ = "customers:read"
    DEVICES_MANAGE = "devices:manage"
    DOCUMENTS_SEND = "documents:send"
    ENTRIES_MANAGE = "entries:manage"
    ENTRIES_SHOW = "entries:show"
    EVENTS_COUNTER = "events:counter"
    EVENTS_READ = "events:read"
    EVENTS_RECORD = "events:record"
    EVERYTHING_EXPORT = "everything:export"
    FIGURES_READ = "figures:read"
    FLEET_MANAGE = "fleet:manage"
    INTEGRATIONS_MANAGE = "integrations:manage"
    INVOICES_ISSUE = "invoices:issue"
    INVOICES_READ = "invoices:read"
    JOURNAL_READ = "journal:read"
    MEMBERS_MANAGE = "members:manage"
    OPERATOR_CLOSE = "operator:close"
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
    SUPPORT_GRANT = "support:grant"
    TEXTS_ERASE = "texts:erase"
    TEXTS_READ = "texts:read"
    UNITS_READ = "units:read"
    VISITS_PLAN = "visits:plan"
    WORK_READ = "work:read"


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
    Permission.ENTRIES_MANAGE,
    Permission.EVENTS_COUNTER,
    Permission.EVENTS_RECORD,
    Permission.FIGURES_READ,
    Permission.FLEET_MANAGE,
    Permission.RECORDS_SHARE,
    Permission.SITES_MANAGE,
    Permission.TEXTS_READ,
    Permission.VISITS_PLAN,
    Permission.WORK_READ,
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
    Role.CREW_MEMBER: frozenset(
        _READ_FIELD | {Permission.ENTRIES_SHOW, Permission.EVENTS_RECORD, Permission.TEXTS_READ}
    ),
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
            Permission.WORK_READ,
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


# What a program may be given, and what it then may do, in the order in which an owner reads it. The words of a
# permission are the scope's own name on the wire (RFC 6749 section 3.3); what only a person does here is not among them.
PROGRAM_SCOPES: dict[Permission, str] = {
    Permission.CHANGES_READ: N_("Follow what changes in the books. It sees the kinds that it may read."),
    Permission.CUSTOMERS_READ: N_("Read customers, with their addresses and terms of payment."),
    Permission.INVOICES_READ: N_("Read invoices, credit notes, prices and contracts."),
    Permission.JOURNAL_READ: N_("Read the journal."),
    Permission.PAYMENTS_READ: N_("Read payments, refunds and what they settle."),
    Permission.PAYMENTS_RECORD: N_("Record payments and refunds, and take in bank files."),
    Permission.BOOKS_MAP: N_("Note its own names and accounts beside ours."),
    Permission.DOCUMENTS_SEND: N_("Send documents and statements, to customers or to another address."),
    Permission.INVOICES_ISSUE: N_("Issue invoices and credit notes."),
    Permission.PRICES_MANAGE: N_("Change prices."),
    Permission.CONTRACTS_MANAGE: N_("Change contracts and terms of payment."),
    Permission.ROYALTY_READ: N_("Read royalty statements."),
    Permission.ROYALTY_MANAGE: N_("Change the terms of the royalty, and state months."),
    Permission.INTEGRATIONS_MANAGE: N_(
        "Set up webhooks, addresses that are told when something changes; also those of other programs."
    ),
    Permission.SITES_READ: N_("Read sites."),
    Permission.AGREEMENTS_READ: N_("Read service agreements."),
    Permission.UNITS_READ: N_("Read units, and what hangs where."),
    Permission.EVENTS_READ: N_("Read visits and all recorded work."),
    Permission.ALERTS_READ: N_("Read what is overdue or out of order."),
    Permission.CREWS_READ: N_("Read crews and their phones."),
    Permission.FIGURES_READ: N_("Read the operator's figures."),
    Permission.TEXTS_READ: N_("Read personal texts, such as who reported something."),
    Permission.EVENTS_RECORD: N_("Record work, reports and photos."),
    Permission.EVENTS_COUNTER: N_("Undo recorded work."),
    Permission.ALERTS_ACKNOWLEDGE: N_("Say that an alert is being dealt with."),
    Permission.CUSTOMERS_MANAGE: N_("Add and change customers."),
    Permission.SITES_MANAGE: N_("Add and change sites."),
    Permission.AGREEMENTS_MANAGE: N_("Make and end service agreements."),
    Permission.FLEET_MANAGE: N_("Add and change units, supplies and what hangs where."),
    Permission.CREWS_MANAGE: N_("Add and change crews."),
    Permission.DEVICES_MANAGE: N_("Register phones and revoke them."),
    Permission.OPERATOR_MANAGE: N_("Change the operator's own rules."),
    Permission.WORK_READ: N_("Follow long work that it may ask for, and cancel it."),
}


# What a person of the service may do while an owner lets them look: what a viewer reads, on pages alone.
SUPPORT_MAY = ROLE_PERMISSIONS[Role.VIEWER] - {Permission.CHANGES_READ, Permission.OWN_SETTINGS}

# Roles whose people need a second factor beside their password.
NEEDS_SECOND_FACTOR = frozenset({Role.OWNER, Role.BOOKKEEPER})


@dataclass(frozen=True, slots=True)
class Lifetime:
    """For how long one stays signed in: without doing anything, and at the most."""

    idle: timedelta
    most: timedelta


# The shortest of a person's roles holds for all they do. A crew's phone lies in a glove box; the owner's may do everything.
_AT_A_DESK = Lifetime(timedelta(minutes=30), timedelta(hours=12))
_FOR_A_SHIFT = Lifetime(timedelta(hours=12), timedelta(hours=24))
LIFETIMES: dict[Role, Lifetime] = {
    Role.OWNER: _AT_A_DESK,
    Role.BOOKKEEPER: _AT_A_DESK,
    Role.DISPATCHER: _FOR_A_SHIFT,
    Role.VIEWER: _FOR_A_SHIFT,
    Role.NETWORK: _FOR_A_SHIFT,
    Role.CREW_MEMBER: Lifetime(timedelta(hours=12), timedelta(days=7)),
}


def home_of(role: Role) -> str:
    """The page on which a role begins: its name among the addresses."""
    return "lookout" if Permission.ALERTS_READ in ROLE_PERMISSIONS[role] else "royalty"


class ActorKind(StrEnum):
    CLIENT = "client"
    DEVICE = "device"
    MEMBER = "member"
    SUPPORT = "support"
    SYSTEM = "system"


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts for which operator. ``id`` is the member's, device's, client's or support person's id; None for the product itself.

    A program may do what its token's ``scopes`` say, and nothing by its role alone; None for everybody else. A person of
    the service may do what ``SUPPORT_MAY`` says, whatever their role is called.
    """

    operator_id: UUID
    kind: ActorKind
    role: Role
    id: UUID | None = None
    name: str = ""
    crew_id: UUID | None = None
    scopes: frozenset[Permission] | None = None

    def may(self, permission: Permission) -> bool:
        if self.kind is ActorKind.SUPPORT and permission not in SUPPORT_MAY:
            return False
        in_scope = self.scopes is None or permission in self.scopes
        return in_scope and permission in ROLE_PERMISSIONS[self.role]


def system_actor(operator_id: UUID) -> Actor:
    return Actor(operator_id=operator_id, kind=ActorKind.SYSTEM, role=Role.OWNER, name="Wickround")


ONLY_LOOKING = N_(
    "A person of the service may look at what a viewer reads here, and at nothing else; nothing is changed or taken "
    "along. Ask an owner of the operator to do it."
)


def require(actor: Actor, permission: Permission) -> None:
    """Raise Forbidden unless the actor's role has the permission, and a program's token its scope."""
    if actor.scopes is not None and not actor.may(permission):
        raise Forbidden(
            _(
                "This token may not do this: it lacks the scope {scope}. Ask for a token with it, or an owner for a "
                "program that has it.",
                scope=permission,
            )
        )
    if not actor.may(permission) and actor.kind is ActorKind.SUPPORT:
        raise Forbidden(_(ONLY_LOOKING))
    if not actor.may(permission):
        raise Forbidden(
            _(
                "Your role, {role}, may not do this. Ask an owner of the operator if you need it.",
                role=_(ROLE_WORDS[actor.role]),
            )
        )
