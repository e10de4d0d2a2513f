"""Whether something was changed that a close reads beside the log: by the audit, which tells of every change in order."""

from __future__ import annotations

import accounts.queries

# Rows of these kinds no part of a close reads. What is not named here may be read, so that a new kind is looked at.
NEVER_READ = frozenset(
    {
        "audit",
        "access token",
        "account mapping",
        "allocation",
        "bank entry",
        "bank statement",
        "client secret",
        "crew",
        "device",
        "entry code",
        "entry secret",
        "everything",
        "external id",
        "long work",
        "machine client",
        "member",
        "number series",
        "page",
        "payment",
        "person key",
        "photo",
        "planned visit",
        "record link",
        "refund",
        "royalty statement",
        "royalty terms",
        "safety sheet",
        "sending",
        "site contact",
        "site note",
        "support grant",
        "webhook endpoint",
    }
)


def last_number() -> int:
    """The number of the audit's last entry; 0 before the first. Entries are numbered in the order of commits."""
    return accounts.queries.last_audit_number()


def is_changed_since(number: int) -> bool:
    """Whether anything was changed after an entry of the audit that a close may read."""
    return accounts.queries.is_told_since(number, but_of=NEVER_READ)
