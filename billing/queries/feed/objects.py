"""The things that a page of changes tells of, each as it stands."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable
from typing import Any
from uuid import UUID

from billing.queries.feed.changes import Change
from billing.queries.feed.customers import customers
from billing.queries.feed.documents import documents
from billing.queries.feed.entries import entries
from billing.queries.feed.money import payments, refunds

Reader = Callable[[Collection[UUID]], dict[UUID, dict[str, Any]]]

# The documents of all kinds are read at once.
_READERS: dict[str, Reader] = {
    "customer": customers,
    "invoice": documents,
    "credit_note": documents,
    "opening": documents,
    "journal_entry": entries,
    "payment": payments,
    "refund": refunds,
}


def objects_of(changes: Iterable[Change], system: str = "") -> dict[UUID, dict[str, Any]]:
    """By id, what these changes tell of; without what is gone. To ``system`` with its own numbers of our accounts."""
    wanted: dict[Reader, list[UUID]] = defaultdict(list)
    for change in changes:
        if not change.gone:
            wanted[_READERS[change.kind]].append(change.id)
    found: dict[UUID, dict[str, Any]] = {}
    for read, ids in wanted.items():
        found |= entries(ids, system) if read is entries else read(ids)
    return found
