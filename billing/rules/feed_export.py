"""Documents and money as files for the books of others: CSV with control totals, by kind and currency."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from billing.rules.bank.references import rf_reference
from billing.rules.csv_rows import Cell, csv_rows
from billing.rules.money import smallest

DOCUMENT_HEADER = (
    "record", "kind", "number", "issued_on", "due_on", "legal_entity", "customer", "corrects", "purchase_order",
    "payment_reference", "tax_category", "tax_rate", "tax_jurisdiction", "currency", "net", "tax", "total",
    "cash_rounding", "payable", "sha256", "documents",
)  # fmt: skip
MONEY_HEADER = (
    "record", "kind", "id", "day", "legal_entity", "customer", "payment", "credit_note", "document", "undoes", "method",
    "reference", "external_id", "currency", "amount", "rows",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DocumentRow:
    """An issued document; entity, customer and corrected invoice by code and number, "" where there is none."""

    kind: str
    number: str
    issued_on: date
    due_on: date | None
    legal_entity: str
    customer: str
    corrects: str
    purchase_order: str
    currency: str
    net: Decimal
    tax: Decimal
    total: Decimal
    cash_rounding: Decimal
    sha256: str
    tax_groups: Sequence[Mapping[str, Any]]

    @property
    def payable(self) -> Decimal:
        return self.total + self.cash_rounding


@dataclass(frozen=True, slots=True)
class MoneyRow:
    """``kind`` payment, refund, return or allocation: money that came or left, or what of it settles a document."""

    kind: str
    id: str
    day: date
    legal_entity: str
    customer: str
    payment: str
    credit_note: str
    document: str
    undoes: str
    method: str
    reference: str
    external_id: str
    currency: str
    amount: Decimal


@dataclass(slots=True)
class DocumentTotal:
    """So many documents of one kind and currency, and their sums."""

    documents: int = 0
    net: Decimal = Decimal(0)
    tax: Decimal = Decimal(0)
    total: Decimal = Decimal(0)
    cash_rounding: Decimal = Decimal(0)

    @property
    def payable(self) -> Decimal:
        return self.total + self.cash_rounding


@dataclass(slots=True)
class MoneyTotal:
    """So many rows of one kind and currency, and their sum."""

    rows: int = 0
    amount: Decimal = Decimal(0)


@dataclass(slots=True)
class _Passing:
    """Totals by kind and currency, counted as the rows go by."""

    documents: dict[tuple[str, str], DocumentTotal] = field(default_factory=dict)
    money: dict[tuple[str, str], MoneyTotal] = field(default_factory=dict)


def documents_csv(rows: Iterable[DocumentRow]) -> Iterator[str]:
    """A record "document" for each, one "tax" for each of its tax groups, then one "total" for each kind and currency.

    Amounts are never negative: those of a credit note are given back.
    """
    return csv_rows(DOCUMENT_HEADER, _document_records(rows, _Passing()))


def money_csv(rows: Iterable[MoneyRow]) -> Iterator[str]:
    """A record "row" for each, then one "total" for each kind and currency."""
    return csv_rows(MONEY_HEADER, _money_records(rows, _Passing()))


def _document_records(rows: Iterable[DocumentRow], passing: _Passing) -> Iterator[tuple[Cell, ...]]:
    for row in rows:
        total = passing.documents.setdefault((row.kind, row.currency), DocumentTotal())
        total.documents += 1
        for name in ("net", "tax", "total", "cash_rounding"):
            setattr(total, name, getattr(total, name) + getattr(row, name))
        yield _document_record(row)
        yield from _tax_records(row)
    for (kind, currency), total in sorted(passing.documents.items()):
        yield (
            "total", kind, *[None] * 11, currency, *_sums(total, currency), None, total.documents,
        )  # fmt: skip


def _document_record(row: DocumentRow) -> tuple[Cell, ...]:
    reference = "" if row.kind == "credit_note" else rf_reference(row.number)
    return (
        "document", row.kind, row.number, row.issued_on, row.due_on, row.legal_entity, row.customer, row.corrects,
        row.purchase_order, reference, None, None, None, row.currency, *_sums(row, row.currency), row.sha256, None,
    )  # fmt: skip


def _tax_records(row: DocumentRow) -> Iterator[tuple[Cell, ...]]:
    for group in row.tax_groups:
        base, tax = Decimal(group["base"]), Decimal(group["tax"])
        yield (
            "tax", row.kind, row.number, row.issued_on, None, row.legal_entity, row.customer, None, None, None,
            group["category"], Decimal(group["rate"]), group["jurisdiction"], row.currency, base, tax, base + tax,
            None, None, None, None,
        )  # fmt: skip


def _sums(of: DocumentRow | DocumentTotal, currency: str) -> tuple[Decimal, ...]:
    return tuple(
        _amount(amount, currency) for amount in (of.net, of.tax, of.total, of.cash_rounding, of.payable)
    )


def _money_records(rows: Iterable[MoneyRow], passing: _Passing) -> Iterator[tuple[Cell, ...]]:
    for row in rows:
        total = passing.money.setdefault((row.kind, row.currency), MoneyTotal())
        total.rows += 1
        total.amount += row.amount
        yield (
            "row", row.kind, row.id, row.day, row.legal_entity, row.customer, row.payment, row.credit_note, row.document,
            row.undoes, row.method, row.reference, row.external_id, row.currency,
            _amount(row.amount, row.currency), None,
        )  # fmt: skip
    for (kind, currency), total in sorted(passing.money.items()):
        yield ("total", kind, *[None] * 11, currency, _amount(total.amount, currency), total.rows)


def _amount(amount: Decimal, currency: str) -> Decimal:
    """With all its minor units, and a number still: one below nothing is no formula."""
    return amount.quantize(smallest(currency))
