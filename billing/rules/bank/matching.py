"""Which documents a movement of the bank pays: booked is only what names them, everything else waits for a person.

A document is named by its creditor reference (ISO 11649) or its number: in the field for the creditor's reference, among
the documents referred to, as the end-to-end id, or among the words of the payer.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from accounts import phrases
from accounts.languages import N_, _
from billing.rules.bank import references
from billing.rules.bank.statements import Movement
from billing.rules.dating import plain_day
from billing.rules.documents import amount_text

MOST_PIECES = (
    7  # a reference printed in fours has as many; numbers are broken by dashes and the ends of lines
)
MOST_WORDS = 60  # pieces of a payer's words that are looked at
LEAST_TELLING, LEAST_EXACT = 5, 4  # signs
SAME_WITHIN = timedelta(days=7)  # between the days that the bank and a person write for one payment
_PIECE = re.compile(r"[0-9A-Za-z]+")


class Fate(StrEnum):
    """What becomes of a movement when it is taken in."""

    BOOKED = "booked"
    PART_BOOKED = "part_booked"
    UNMATCHED = "unmatched"
    SET_ASIDE = "set_aside"
    DUPLICATE = "duplicate"


@dataclass(frozen=True, slots=True)
class Debt:
    """A document as far as paying it needs: ``left`` is still owed of it; of a credit note, what it may still settle."""

    number: str
    customer_id: UUID
    legal_entity_id: UUID | None
    currency: str
    due_on: date
    left: Decimal
    is_credit: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """What becomes of a movement and why: ``parts`` settle documents by number, ``kept`` settles nothing yet."""

    fate: Fate
    why: str
    customer_id: UUID | None = None
    parts: tuple[tuple[str, Decimal], ...] = ()
    kept: Decimal = Decimal(0)


def key_of(number: str) -> str:
    """What documents are found by: letters and digits of the number, without zeros in front, as references pad with them."""
    return references.plain(number).lstrip("0")


def keys_named(movement: Movement) -> set[str]:
    """Everything in a movement that may be the key of a document."""
    return {*_strong(movement), *(key for key, _span in _weak(movement))} - {""}


def _strong(movement: Movement) -> Iterator[str]:
    """What stands in a field for it, and creditor references wherever they stand."""
    for text in (*movement.references, *movement.documents):
        yield references.parsed(text) or key_of(text)
    for text, _span in _runs(movement):
        if text[:2] in {"RF", "rf"} and (key := references.parsed(text)):
            yield key


def _weak(movement: Movement) -> Iterator[tuple[str, range]]:
    """What may be a number, among the words and in the id that the payer gave, and the pieces that it is made of."""
    for text, span in _runs(movement):
        if any(sign.isdigit() for sign in text):
            yield key_of(text), span


def _runs(movement: Movement) -> Iterator[tuple[str, range]]:
    """Neighbouring pieces of the payer's words, put together."""
    for words, offset in ((movement.end_to_end, 0), (movement.remittance, MOST_WORDS)):
        pieces = _PIECE.findall(words)[:MOST_WORDS]
        for start in range(len(pieces)):
            for end in range(start + 1, min(start + MOST_PIECES, len(pieces)) + 1):
                yield "".join(pieces[start:end]), range(offset + start, offset + end)


class Matching:
    """Judges the movements of an account one after the other; what one pays is no longer open for the next.

    ``debts``: the documents by ``key_of`` their numbers, several where numbers differ in nothing else. ``payments``: the
    end-to-end ids and amounts of payments that came in before, by which one that goes out again is known.
    ``settled``: what others before it paid of documents by number, which it goes on with. ``recorded``: the days of
    payments that came with no statement, by customer and amount: a movement may be one of them.
    """

    def __init__(
        self,
        debts: Mapping[str, Sequence[Debt]],
        *,
        legal_entity_id: UUID | None,
        payments: Collection[tuple[str, Decimal]] = (),
        settled: dict[str, Decimal] | None = None,
        recorded: Mapping[tuple[UUID, Decimal], Sequence[date]] | None = None,
    ) -> None:
        self.debts, self.legal_entity_id, self.payments = debts, legal_entity_id, payments
        self.settled = {} if settled is None else settled
        self.recorded = recorded or {}

    def judge(self, movement: Movement) -> Verdict:
        if not movement.amount:
            return Verdict(Fate.SET_ASIDE, _("It moves no money."))
        if not movement.is_credit:
            return self._gone_out(movement)
        if movement.mismatch:
            return Verdict(Fate.UNMATCHED, movement.mismatch)
        if movement.is_return:
            return Verdict(
                Fate.UNMATCHED,
                _("Money that had gone out came back. It is no payment of a customer by itself."),
            )
        named = self._named(movement)
        why_not = self._doubt(movement, named) or self._recorded_before(movement, named)
        return Verdict(Fate.UNMATCHED, why_not) if why_not else self._paid(movement, named)

    def _gone_out(self, movement: Movement) -> Verdict:
        if movement.is_return:
            why = (
                _("The bank took back an earlier payment: {reason}.", reason=movement.reason)
                if movement.reason
                else _("The bank took back an earlier payment.")
            )
            return Verdict(Fate.UNMATCHED, why)
        if movement.end_to_end and (movement.end_to_end, movement.amount) in self.payments:
            return Verdict(Fate.UNMATCHED, _("As much as an earlier payment brought went out under its id."))
        return Verdict(Fate.SET_ASIDE, _("Money that went out pays no document of ours."))

    # What it names

    def _named(self, movement: Movement) -> list[Debt]:
        """The documents it surely names, in the order of the words."""
        found = {key: None for key in _strong(movement) if key in self.debts}
        spans: list[range] = []
        # The longest run first: a number within a longer number is not named by itself.
        for key, span in sorted(_weak(movement), key=lambda one: -len(one[1])):
            if key in self.debts and not any(set(span) & set(other) for other in spans):
                spans.append(span)
                if self._is_telling(key, movement):
                    found.setdefault(key)
        return [debt for key in found for debt in self.debts[key]]

    def _is_telling(self, key: str, movement: Movement) -> bool:
        """Whether a number among words is no chance: letters and digits, or the very amount that is left of it."""
        if len(key) >= LEAST_TELLING and not key.isdigit() and not key.isalpha():
            return True
        exact = any(self.left(debt) == movement.amount for debt in self.debts[key])
        return len(key) >= LEAST_EXACT and exact

    def left(self, debt: Debt) -> Decimal:
        return debt.left - self.settled.get(debt.number, Decimal(0))

    # Why not

    def _doubt(self, movement: Movement, named: Sequence[Debt]) -> str:
        """Why it can't be booked as what it names; "" if it can."""
        debts = [debt for debt in named if not debt.is_credit]
        if not debts:
            return self._names_none(named)
        if len({key_of(debt.number) for debt in debts}) < len(debts):
            return _("It may mean {numbers}.", numbers=_listed(debt.number for debt in debts))
        if len({debt.customer_id for debt in debts}) > 1:
            return _(
                "It names documents of more than one customer: {numbers}.",
                numbers=_listed(debt.number for debt in debts),
            )
        return next(
            (why for debt in debts if (why := self._foreign(movement, debt))), ""
        ) or self._paid_before(debts)

    @staticmethod
    def _names_none(named: Sequence[Debt]) -> str:
        if named:
            return _("It names only {number}, a credit note.", number=named[0].number)
        return _("It names no document of ours.")

    def _foreign(self, movement: Movement, debt: Debt) -> str:
        if debt.currency != movement.currency:
            return _("{number} is in {currency}.", number=debt.number, currency=debt.currency)
        if debt.legal_entity_id != self.legal_entity_id:
            return _(
                "{number} was issued by another legal entity than the account is of.", number=debt.number
            )
        return ""

    def _paid_before(self, debts: Sequence[Debt]) -> str:
        if any(self.left(debt) > 0 for debt in debts):
            return ""
        return _("Nothing is left to pay of {numbers}.", numbers=_listed(debt.number for debt in debts))

    def _recorded_before(self, movement: Movement, named: Sequence[Debt]) -> str:
        """That it may be a payment which somebody, or a program, recorded without the bank."""
        payer = next(debt.customer_id for debt in named if not debt.is_credit)
        days = self.recorded.get((payer, movement.amount), ())
        near = [day for day in days if abs(day - movement.booked_on) <= SAME_WITHIN]
        if not near:
            return ""
        return _(
            "A payment of this amount, of {day}, was recorded without the bank. If it is this one, set this aside; else "
            "record it too.",
            day=plain_day(near[0]),
        )

    # What it pays

    def _paid(self, movement: Movement, named: Sequence[Debt]) -> Verdict:
        debts = sorted(
            (debt for debt in named if not debt.is_credit), key=lambda debt: (debt.due_on, debt.number)
        )
        parts, rest = [], movement.amount
        for debt in debts:
            if (part := min(rest, self.left(debt))) > 0:
                parts.append((debt.number, part))
                rest -= part
        short = {debt.number: self.left(debt) - part for debt, part in _with_parts(debts, parts)}
        for number, part in parts:
            self.settled[number] = self.settled.get(number, Decimal(0)) + part
        return Verdict(
            Fate.PART_BOOKED if rest else Fate.BOOKED,
            _told(movement, parts, {number: left for number, left in short.items() if left}, rest),
            debts[0].customer_id,
            tuple(parts),
            rest,
        )


def _with_parts(
    debts: Sequence[Debt], parts: Sequence[tuple[str, Decimal]]
) -> Iterator[tuple[Debt, Decimal]]:
    by_number = dict(parts)
    for debt in debts:
        yield debt, by_number.get(debt.number, Decimal(0))


def _told(
    movement: Movement, parts: Sequence[tuple[str, Decimal]], short: Mapping[str, Decimal], rest: Decimal
) -> str:
    numbers = _listed(number for number, _part in parts)
    if rest:
        return _(
            "It pays {numbers}; {rest} more came in and is kept for the customer.",
            numbers=numbers,
            rest=said(rest, movement.currency),
        )
    if short:
        lefts = (
            _("{left} of {number}", left=said(left, movement.currency), number=number)
            for number, left in short.items()
        )
        return _("It pays {numbers} in part; {lefts} stays open.", numbers=numbers, lefts=_listed(lefts))
    return _("It pays {numbers}.", numbers=numbers)


def _listed(texts: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(texts))


def said(amount: Decimal, currency: str) -> str:
    """An amount with its currency, as a person reads it."""
    return f"{phrases.amount(amount_text(amount, currency))} {currency}"


# Suggestions: what a person may want to look at first


class Hint(StrEnum):
    """Why a document or a customer is suggested."""

    NAMED = "named"
    AMOUNT = "amount"
    ACCOUNT = "account"
    PARTY = "party"


HINTS = {
    Hint.NAMED: N_("its number stands in the words"),
    Hint.AMOUNT: N_("exactly this is left of it"),
    Hint.ACCOUNT: N_("this account paid for the customer before"),
    Hint.PARTY: N_("the payer has the customer's name"),
}


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A document that a movement may pay, or (``number`` "") a customer that it may come from; ``hints`` say why."""

    customer_id: UUID
    number: str
    left: Decimal
    hints: tuple[Hint, ...]


class Clues:
    """What is known for suggestions: open debts, who paid from which account, and customers by their plain names."""

    def __init__(
        self,
        debts: Iterable[Debt],
        accounts: Mapping[str, frozenset[UUID]],
        names: Mapping[str, frozenset[UUID]],
    ) -> None:
        self.accounts, self.names = accounts, names
        self.by_key: dict[str, list[Debt]] = defaultdict(list)
        self.by_left: dict[tuple[str, Decimal], list[Debt]] = defaultdict(list)
        for debt in debts:
            if not debt.is_credit and debt.left > 0:
                self.by_key[key_of(debt.number)].append(debt)
                self.by_left[debt.currency, debt.left].append(debt)

    def near(self, movement: Movement, keys: Collection[str]) -> dict[str, Debt]:
        """The debts whose number is among a movement's keys, or of which exactly its amount is left."""
        named = [debt for key in keys for debt in self.by_key.get(key, ())]
        exact = self.by_left.get((movement.currency, movement.amount), ())
        return {debt.number: debt for debt in (*named, *exact) if debt.currency == movement.currency}


MOST_SUGGESTED = 8


def suggestions(movement: Movement, clues: Clues) -> list[Suggestion]:
    """What a movement that came in may pay, the likeliest first. Never booked by itself."""
    if not movement.is_credit or not movement.amount:
        return []
    by_account = clues.accounts.get(movement.party_account, frozenset())
    by_name = clues.names.get(references.plain(movement.party), frozenset())
    named = keys_named(movement)
    found = []
    for debt in clues.near(movement, named).values():
        hints = {
            Hint.NAMED: key_of(debt.number) in named,
            Hint.AMOUNT: debt.left == movement.amount,
            Hint.ACCOUNT: debt.customer_id in by_account,
            Hint.PARTY: debt.customer_id in by_name,
        }
        shown = tuple(hint for hint, holds in hints.items() if holds)
        found.append(Suggestion(debt.customer_id, debt.number, debt.left, shown))
    found.sort(key=lambda one: (-len(one.hints), one.number))
    return [*found, *_customers(by_account, by_name, found)][:MOST_SUGGESTED]


def _customers(
    by_account: frozenset[UUID], by_name: frozenset[UUID], found: Sequence[Suggestion]
) -> Iterator[Suggestion]:
    told = {one.customer_id for one in found}
    for customer_id in sorted((by_account | by_name) - told, key=str):
        holds = ((Hint.ACCOUNT, by_account), (Hint.PARTY, by_name))
        hints = tuple(hint for hint, known in holds if customer_id in known)
        yield Suggestion(customer_id, "", Decimal(0), hints)
