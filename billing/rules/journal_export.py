"""The journal as a file for the books of others: entries with their lines, and control totals by currency."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from billing.rules.csv_rows import Cell, csv_rows
from billing.rules.documents import amount_text

HEADER = (
    "record", "ordinal", "key", "purpose", "entry_on", "legal_entity", "customer", "document", "payment", "refund",
    "text", "line", "account", "external_account", "site", "jurisdiction", "currency", "debit", "credit", "entries",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class EntryLine:
    """One side of an entry; ``external_account`` is what a program of the accounts calls its account, if one was named."""

    line: int
    account: str
    site: str
    jurisdiction: str
    debit: Decimal
    credit: Decimal
    external_account: str = ""


@dataclass(frozen=True, slots=True)
class EntryShown:
    """An entry with its lines; customers, documents and sites by code and number, "" where there is none."""

    ordinal: int
    key: str
    purpose: str
    entry_on: date
    legal_entity: str
    customer: str
    document: str
    payment: str
    refund: str
    text: str
    currency: str
    lines: tuple[EntryLine, ...]


@dataclass(slots=True)
class Total:
    """So many entries of one currency, and their sums."""

    entries: int = 0
    debit: Decimal = Decimal(0)
    credit: Decimal = Decimal(0)


@dataclass(slots=True)
class ControlTotals:
    """By currency, counted as the entries go by."""

    by_currency: dict[str, Total] = field(default_factory=dict)

    def passing(self, entries: Iterable[EntryShown]) -> Iterator[EntryShown]:
        for entry in entries:
            total = self.by_currency.setdefault(entry.currency, Total())
            total.entries += 1
            total.debit += sum((line.debit for line in entry.lines), Decimal(0))
            total.credit += sum((line.credit for line in entry.lines), Decimal(0))
            yield entry


def journal_csv(entries: Iterable[EntryShown]) -> Iterator[str]:
    """A record for each line, then a record "total" for each currency: its debit, its credit, and how many entries they are of."""
    totals = ControlTotals()
    return csv_rows(HEADER, _rows(totals.passing(entries), totals))


def _rows(entries: Iterable[EntryShown], totals: ControlTotals) -> Iterator[tuple[Cell, ...]]:
    for entry in entries:
        for line in entry.lines:
            yield (
                "line",
                entry.ordinal,
                entry.key,
                entry.purpose,
                entry.entry_on,
                entry.legal_entity,
                entry.customer,
                entry.document,
                entry.payment,
                entry.refund,
                entry.text,
                line.line,
                line.account,
                line.external_account,
                line.site,
                line.jurisdiction,
                entry.currency,
                amount_text(line.debit, entry.currency),
                amount_text(line.credit, entry.currency),
                None,
            )
    for currency, total in sorted(totals.by_currency.items()):
        sums = [amount_text(amount, currency) for amount in (total.debit, total.credit)]
        yield ("total", *[None] * 15, currency, *sums, total.entries)
