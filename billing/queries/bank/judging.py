"""What would become of each movement of a bank's statement, by what is open now; inside an operator's scope."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID

import accounts.queries
from accounts.errors import BadInput, NotFound, Problem
from accounts.languages import _
from billing.models import BankEntry, BankStatement, Document, LegalEntity
from billing.queries import settling
from billing.queries.bank import entries
from billing.queries.settling import Standing
from billing.rules.bank import references, statements
from billing.rules.bank.matching import (
    SAME_WITHIN,
    Clues,
    Debt,
    Fate,
    Matching,
    Suggestion,
    Verdict,
    key_of,
    keys_named,
    said,
    suggestions,
)
from billing.rules.bank.statements import Movement, Statement


@dataclass(frozen=True, slots=True)
class Look:
    """A movement and what becomes of it; ``entry``: as what it was taken in, now or before."""

    movement: Movement
    key: str
    verdict: Verdict
    entry: BankEntry | None = None
    suggestions: Sequence[Suggestion] = ()


@dataclass(frozen=True, slots=True)
class StatementLook:
    """A statement and what becomes of its movements. ``gap``: why the one before it may be missing; ``row``: as stored."""

    statement: Statement
    entity: LegalEntity | None
    looks: Sequence[Look]
    gap: str = ""
    row: BankStatement | None = None

    @property
    def counts(self) -> Counter[str]:
        return Counter(str(look.verdict.fate) for look in self.looks)

    @property
    def sums(self) -> dict[str, Decimal]:
        """By fate, what came in less what went out."""
        found: dict[str, Decimal] = defaultdict(Decimal)
        for look in self.looks:
            found[str(look.verdict.fate)] += look.movement.signed
        return dict(found)


class Judging:
    """Judges the statements of a file one after the other; nothing is stored.

    ``legal_entity``: the code of whose accounts they are, where no issuer names the account as its own.
    """

    def __init__(self, found: Sequence[Statement], *, legal_entity: str = "") -> None:
        self.asked = legal_entity
        self.settled: dict[str, Decimal] = {}
        self.seen: set[str] = set()
        self.closed: dict[str, Statement] = {}
        self.debts = documents_named(one for statement in found for one in statement.movements)

    def judge(self, statement: Statement) -> StatementLook:
        """BadInput where it is not clear whose account it is."""
        entity = entity_of(statement.account, self.asked)
        keys = statements.keys(statement)
        known = entries.entries_by_key(keys)
        ids = {one.end_to_end for one in statement.movements if not one.is_credit}
        matching = Matching(
            self.debts,
            legal_entity_id=entity.id if entity else None,
            payments=entries.payments_by_id(statement.account, ids),
            settled=self.settled,
            recorded=self._recorded(statement, entity),
        )
        looks = [
            self._look(matching, movement, key, known)
            for movement, key in zip(statement.movements, keys, strict=True)
        ]
        gap = self._gap(statement)
        self.closed[statement.account] = statement
        return StatementLook(statement, entity, looks, gap)

    def _recorded(
        self, statement: Statement, entity: LegalEntity | None
    ) -> dict[tuple[UUID, Decimal], list[date]]:
        """The payments that movements of a statement may be, recorded without the bank."""
        days = [one.booked_on for one in statement.movements if one.is_credit]
        payers = {debt.customer_id for debts in self.debts.values() for debt in debts}
        if not days or not payers:
            return {}
        return entries.payments_without_statement(
            payers,
            entity_id=entity.id if entity else None,
            currency=statement.currency,
            since=min(days) - SAME_WITHIN,
            until=max(days) + SAME_WITHIN,
        )

    def _look(self, matching: Matching, movement: Movement, key: str, known: dict[str, BankEntry]) -> Look:
        if (entry := known.get(key)) is not None:
            why = _("It was taken in before, with statement {id}.", id=entry.statement.statement_id)
            return Look(movement, key, Verdict(Fate.DUPLICATE, why), entry)
        if key in self.seen:
            why = _("It stands in the file more than once.")
            return Look(movement, key, Verdict(Fate.DUPLICATE, why))
        self.seen.add(key)
        return Look(movement, key, matching.judge(movement))

    def _gap(self, statement: Statement) -> str:
        """Whether the statement goes on from where the one before it ended."""
        before = self.closed.get(statement.account) or entries.statement_before(
            statement.account, statement.since, statement.until
        )
        if before is None or before.closing == statement.opening:
            return ""
        return _(
            "The statement before, {id}, closed with {closing}, and this one opens with {opening}: one between them "
            "may be missing.",
            id=before.statement_id,
            closing=said(before.closing, before.currency),
            opening=said(statement.opening, statement.currency),
        )


def entity_of(account: str, asked: str) -> LegalEntity | None:
    """Whose account it is: of the issuer that names it, else as said, as before, or of the only issuer there is.

    None: of the operator in its own name. NotFound for a code that there is not, BadInput where it has to be said.
    """
    issuers = list(LegalEntity.objects.order_by("code"))
    own = next((one for one in issuers if "".join(one.iban.split()).upper() == account.upper()), None)
    named = next((one for one in issuers if one.code == asked), None) if asked else None
    if asked and named is None:
        detail = _("There is no legal entity here with this code.")
        raise NotFound(detail, errors=[Problem("/legal_entity", "not-found", detail)])
    if own is not None:
        if named is not None and named.id != own.id:
            raise _unclear(_("The account {account} is of {name}.", account=account, name=own.legal_name))
        return own
    before = entries.bank_statements().filter(account=account).last()
    if named is None and before is not None:
        return before.legal_entity
    if named is None and len(issuers) > 1:
        raise _unclear(
            _(
                "No issuer has the account {account}. Say whose it is, or note it with the issuer.",
                account=account,
            )
        )
    return named or next(iter(issuers), None)


def _unclear(detail: str) -> BadInput:
    return BadInput(
        _("{detail} Nothing was taken in.", detail=detail),
        errors=[Problem("/legal_entity", "legal-entity", detail)],
    )


def documents_named(movements: Iterable[Movement]) -> dict[str, list[Debt]]:
    """The documents that movements may name, as they stand, by their keys."""
    keys = {key for movement in movements if movement.is_credit for key in keys_named(movement)}
    if not keys:
        return {}
    numbers = Document.objects.order_by("number").values_list("number", flat=True)
    wanted = [number for number in numbers.iterator(chunk_size=10_000) if key_of(number) in keys]
    found: dict[str, list[Debt]] = defaultdict(list)
    for one in settling.standings(numbers=wanted) if wanted else []:
        found[key_of(one.number)].append(_debt(one))
    return found


def suggested(movements: Sequence[Movement]) -> list[list[Suggestion]]:
    """For each movement what it may pay, the likeliest first."""
    if not any(movement.is_credit for movement in movements):
        return [[] for _movement in movements]
    clues = Clues(
        map(_debt, settling.open_debts()),
        entries.payers_of({movement.party_account for movement in movements}),
        _customers_named({references.plain(movement.party) for movement in movements}),
    )
    return [suggestions(movement, clues) for movement in movements]


def _customers_named(names: Collection[str]) -> dict[str, frozenset[UUID]]:
    found: dict[str, set[UUID]] = defaultdict(set)
    for customer_id, name in accounts.queries.customers().values_list("id", "name"):
        if (plain := references.plain(name)) in names and plain:
            found[plain].add(customer_id)
    return {name: frozenset(ids) for name, ids in found.items()}


def _debt(one: Standing) -> Debt:
    return Debt(
        number=one.number,
        customer_id=one.customer_id,
        legal_entity_id=one.legal_entity_id,
        currency=one.currency,
        due_on=one.due_on,
        left=one.left,
        is_credit=one.is_credit,
    )
