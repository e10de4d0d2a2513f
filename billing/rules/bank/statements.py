"""What a bank states of an account, as plain values, and the names under which its movements are known."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from hashlib import sha256

# What stands in a reference where there is none, and numbers that only count the entries of one statement.
_NO_REFERENCE = re.compile(r"(NOT ?PROVIDED|NON ?REF|NO ?REF|NONE|N/?A|0+|-+|\d{1,5})?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Movement:
    """Money that came in (``is_credit``) or went out: an entry of a statement, or one payment of a batch entry.

    ``entry_reference`` is the bank's name of the entry, ``own_reference`` that of this one payment of it.
    ``references`` are what a payer put into the field for a creditor's reference, ``documents`` the numbers of documents
    it referred to. ``is_return``: it takes back an earlier movement, for ``reason``. ``mismatch``: why a batch entry
    could not be taken apart.
    """

    ordinal: int
    booked_on: date
    value_on: date | None
    amount: Decimal
    is_credit: bool
    currency: str
    entry_reference: str = ""
    own_reference: str = ""
    is_part: bool = False
    end_to_end: str = ""
    references: tuple[str, ...] = ()
    documents: tuple[str, ...] = ()
    remittance: str = ""
    party: str = ""
    party_account: str = ""
    is_return: bool = False
    reason: str = ""
    mismatch: str = ""

    @property
    def signed(self) -> Decimal:
        return self.amount if self.is_credit else -self.amount

    @property
    def bank_reference(self) -> str:
        """The bank's own name of it, as a person would quote it."""
        return self.own_reference or self.entry_reference


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement of one account: ``opening`` and what is booked make ``closing``; above zero is to our credit.

    ``pending`` is what the bank announces and has not booked: it is shown and enters nothing.
    """

    message_id: str
    statement_id: str
    account: str
    currency: str
    since: date
    until: date
    opening: Decimal
    closing: Decimal
    movements: tuple[Movement, ...]
    pending: tuple[Movement, ...] = ()


def is_name(reference: str) -> bool:
    """Whether a reference names something: not a word for none, nor a number that only counts entries."""
    return _NO_REFERENCE.fullmatch(reference.strip()) is None


def keys(statement: Statement) -> list[str]:
    """For each movement the key under which it is taken in once, from whichever statement it comes.

    SHA-256 of the account, the bank's name of the movement, its day, its amount and direction. Without a name of the
    bank's: of all that it says. Movements of which all of that is equal count up: that many of them did take place.
    """
    seen: Counter[str] = Counter()
    return [_counted(base, seen) for base in _bases(statement.account, statement.movements)]


def _counted(base: str, seen: Counter[str]) -> str:
    seen[base] += 1
    return sha256(f"{base}/{seen[base]}".encode()).hexdigest()


def _bases(account: str, movements: Sequence[Movement]) -> Iterator[str]:
    for one in movements:
        # Banks give the same reference again, also within a day, so the day and the amount belong to the name.
        amount = format(one.signed.normalize(), "f")
        yield json.dumps([account, _name(one), one.booked_on.isoformat(), amount], ensure_ascii=False)


def _name(one: Movement) -> list[str]:
    if not one.is_part and is_name(one.entry_reference):
        return [one.entry_reference]
    own = one.own_reference if is_name(one.own_reference) else ""
    entry = one.entry_reference if is_name(one.entry_reference) else ""
    said = [one.end_to_end, *one.references, *one.documents, one.remittance, one.party, one.party_account]
    return [entry, own, *(() if own else said)]
