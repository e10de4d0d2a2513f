"""Reads of money that left again, and of what may still leave, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import Allocation, Refund
from billing.queries import settling
from billing.queries.settling import Standing


def refunds() -> QuerySet[Refund]:
    """Every refund and every returned payment, in the order they were recorded."""
    return (
        Refund.objects.select_related("customer", "credit_note")
        .defer("credit_note__document", "credit_note__ubl")
        .order_by("id")
    )


def refunds_named(external_ids: Collection[str]) -> QuerySet[Refund]:
    """Those recorded under these names of the bank or the payer."""
    return refunds().filter(external_id__in=external_ids)


def get_refund(refund_id: UUID) -> Refund:
    refund = refunds().filter(id=refund_id).first()
    if refund is None:
        raise NotFound(_("There is no refund here with this id."))
    return refund


def refunds_of_payment(payment_id: UUID) -> list[Refund]:
    return list(refunds().filter(payment_id=payment_id))


def refunds_of_credit(document_id: UUID) -> list[Refund]:
    return list(refunds().filter(credit_note_id=document_id))


def return_of(payment_id: UUID) -> Refund | None:
    """That the bank took a payment back; None while it has not."""
    return refunds().filter(payment_id=payment_id, kind="return").first()


def get_credit(number: str) -> Standing:
    """A credit note by number, as it stands."""
    note = next((one for one in settling.standings(numbers=[number]) if one.is_credit), None)
    if note is None:
        raise NotFound(_("There is no credit note here with this number."))
    return note


@dataclass(frozen=True, slots=True)
class Settling:
    """What settles a document, or settled it until it was undone."""

    row: Allocation
    undone_on: date | None


def settlings(rows: Sequence[Allocation]) -> list[Settling]:
    """All rows of a payment or of a credit note, those that undo others with what they undo."""
    undone = {row.undoes_id: row.made_on for row in rows if row.undoes_id is not None}
    return [Settling(row, undone.get(row.id)) for row in rows if row.undoes_id is None]


def live_allocations() -> QuerySet[Allocation]:
    """What settles something and was not undone."""
    undoing = Allocation.objects.filter(undoes_id=OuterRef("id"))
    return (
        settling.allocations()
        .filter(~Exists(undoing), undoes=None)
        .defer("document__document", "document__ubl", "credit_note__document", "credit_note__ubl")
    )


def get_allocation(allocation_id: UUID) -> Allocation:
    row = settling.allocations().filter(id=allocation_id).first()
    if row is None:
        raise NotFound(_("There is nothing here that settles a document, with this id."))
    return row


def allocations_of_credit(document_id: UUID) -> list[Allocation]:
    """What a credit note settles and settled: every row, also what was undone and what undoes it."""
    rows = settling.allocations().filter(credit_note_id=document_id)
    return list(
        rows.defer("document__document", "document__ubl", "credit_note__document", "credit_note__ubl")
    )
