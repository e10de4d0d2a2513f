"""Reads of what is left of issued invoices to give back, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Sum

from billing.models import Charge, Document, DocumentLine, LegalEntity
from billing.rules.crediting import Creditable, creditable
from billing.rules.giving_back import History, Place
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Kind, Line
from billing.rules.rating import Rule


@dataclass(slots=True)
class Issued:
    """What documents say of some charge keys: invoice lines that bill them, what stands, what was given back by hand."""

    places: dict[str, list[Place]] = field(default_factory=lambda: defaultdict(list))
    standing: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    by_hand: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))


def history(lines: Collection[Line], noted: Collection[Line], inputs: Inputs) -> History:
    """What was issued of the charges that lines of a close take back of; ``noted`` are those that want a credit note."""
    issued = issued_of([line.charge for line in lines if line.kind is Kind.CREDIT])
    places = {line.charge.key: issued.places[line.charge.key] for line in noted}
    _add_fees(places, [line for line in noted if line.charge.rule is Rule.MISSED_SERVICE])
    ids = {place.document_id for found in places.values() for place in found}
    documents = list(Document.objects.filter(id__in=ids)) if ids else []
    return History(places, issued.standing, issued.by_hand, creditables(documents), cash_steps(documents))


def issued_of(charges: Iterable[Any]) -> Issued:
    """What documents say of these charges (each with a ``key`` and a ``subject_id``)."""
    keys = {charge.key: charge.subject_id for charge in charges}
    found = Issued()
    if not keys:
        return found
    rows = DocumentLine.objects.filter(charge__subject_id__in=set(keys.values()), charge__key__in=keys)
    rows = rows.order_by("-document__issued_on", "-document__ordinal", "-line")
    key_of: dict[UUID, str] = {}
    for row_id, document_id, line, amount, key, kind in rows.values_list(
        "id", "document_id", "line", "amount", "charge__key", "document__kind"
    ):
        key_of[row_id] = key
        found.standing[key] += amount
        if kind == "invoice" and amount > 0:
            found.places[key].append(Place(document_id, line))
    by_hand = DocumentLine.objects.filter(credits_id__in=key_of, charge=None).order_by().values("credits_id")
    for row_id, amount in by_hand.annotate(given=Sum("amount")).values_list("credits_id", "given"):
        found.standing[key_of[row_id]] -= amount
        found.by_hand[key_of[row_id]] += amount
    return found


def _add_fees(places: dict[str, list[Place]], missed: Sequence[Line]) -> None:
    """A service that was missed is given back of the flat fee its day was billed with."""
    if not missed:
        return
    fees = DocumentLine.objects.filter(
        charge__site_id__in={line.charge.site_id for line in missed},
        charge__rule=Rule.SITE_MONTH,
        amount__gt=0,
        document__kind="invoice",
    ).order_by("-document__issued_on", "-document__ordinal", "line")
    columns = ("charge__site_id", "charge__starts_on", "charge__ends_before", "document_id", "line")
    rows = list(fees.values_list(*columns))
    for line in missed:
        charge = line.charge
        places[charge.key] = [
            Place(document_id, number)
            for site_id, starts_on, ends_before, document_id, number in rows
            if site_id == charge.site_id and starts_on <= charge.service_on < ends_before
        ]


def creditables(documents: Collection[Document]) -> dict[UUID, Creditable]:
    """What is left of each of these invoices."""
    given: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    for corrects_id, document in Document.objects.filter(corrects__in=[d.id for d in documents]).values_list(
        "corrects_id", "document"
    ):
        given[corrects_id].append(document)
    charges = Charge.objects.filter(
        id__in=DocumentLine.objects.filter(document__in=[d.id for d in documents]).values("charge_id")
    )
    standing = issued_of(charges.only("key", "subject_id")).standing if documents else {}
    return {d.id: creditable(d.document, given[d.id], standing) for d in documents}


def cash_steps(documents: Collection[Document]) -> dict[UUID, Decimal]:
    """What the seller of each document rounds sums to be paid to, in its own currency; 0 for not at all."""
    steps = {row.id: row for row in LegalEntity.objects.filter(id__in={d.legal_entity_id for d in documents})}
    found = {}
    for document in documents:
        entity = steps.get(document.legal_entity_id)
        rounds = entity is not None and entity.currency == document.currency
        found[document.id] = entity.cash_rounding if entity is not None and rounds else Decimal(0)
    return found


def line_ids(document_id: UUID) -> dict[int, UUID]:
    """The rows of a document's lines, by their number."""
    return dict(DocumentLine.objects.filter(document_id=document_id).values_list("line", "id"))
