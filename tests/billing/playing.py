"""Closes played on plain values: rated, held against what was charged before, drafted, numbered, as a close does it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from billing.rules.documents import Heading, digest, invoice
from billing.rules.drafting import Drafted, drafts
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Line, differences
from billing.rules.places import Happening
from billing.rules.rating import Charge, Rated, Rule, Work, month_after, rate
from tests.billing.worlds import MONTHS, World


@dataclass
class Played:
    """What the closes of a world made. ``charged`` sums all rows of a charge, as the next close reads them."""

    inputs: Inputs
    rated: list[Rated] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    drafted: list[Drafted] = field(default_factory=list)
    documents: list[dict[str, Any]] = field(default_factory=list)
    charged: dict[str, Charge] = field(default_factory=dict)
    waiting: list[Line] = field(default_factory=list)

    @property
    def digests(self) -> list[str]:
        return [digest(document) for document in self.documents]


def rated_at(inputs: Inputs, happenings: Iterable[Happening], close: int) -> Rated:
    """Everything known, rated from the first month until the end of the close's."""
    work = Work(set(inputs.sites), defaultdict(list), defaultdict(list))
    for one in happenings:
        (work.units if one.subject_id in inputs.units else work.others)[one.subject_id].append(one)
    return rate(inputs, work, first_month=MONTHS[0], open_from=month_after(MONTHS[close]))


def played(world: World, closes: Sequence[int] = (0, 1, 2)) -> Played:
    """These closes in turn. One that is left out was never made: the next one charges its month too."""
    books = Played(world.inputs)
    for close in closes:
        _close(books, world.known(close), close)
    return books


def _close(books: Played, happenings: Iterable[Happening], close: int) -> None:
    month = MONTHS[close]
    rated = rated_at(books.inputs, happenings, close)
    lines = differences(rated.charges, books.charged, month)
    drafted = drafts([*books.waiting, *lines], books.inputs, month=month)
    books.rated.append(rated)
    books.drafted.append(drafted)
    books.lines += [*lines, *drafted.added]
    books.waiting = [*drafted.still_open, *(held.line for held in drafted.held)]
    for line in lines:
        was = books.charged.get(line.charge.key)
        books.charged[line.charge.key] = line.charge if was is None else _added(was, line.charge)
    for draft in drafted.drafts:
        previous = books.digests[-1] if books.documents else ""
        number = f"INV-{len(books.documents) + 1:06d}"
        issued_on = month_after(month) + timedelta(days=2)
        heading = Heading(number, issued_on, month, previous, issued_on + timedelta(days=draft.payment_days))
        books.documents.append(invoice(heading, draft, books.inputs))


def _added(was: Charge, more: Charge) -> Charge:
    return replace(was, part=was.part + more.part, amount=was.amount + more.amount)


def by_currency(amounts: Iterable[tuple[str, Decimal]]) -> dict[str, Decimal]:
    """Sums by currency, without those that are nothing."""
    sums: dict[str, Decimal] = defaultdict(Decimal)
    for currency, amount in amounts:
        sums[currency] += amount
    return {currency: amount for currency, amount in sums.items() if amount}


def standing(charges: Iterable[Charge]) -> dict[str, Decimal]:
    """What stands charged by key, without what came to nothing."""
    return {charge.key: charge.amount for charge in charges if charge.amount}


def of_operator(world: World, operator_id: UUID) -> World:
    """The same world as another operator's."""
    operator = replace(world.inputs.operator, id=operator_id)
    return World(replace(world.inputs, operator=operator), world.told)


WHOLE_MONTHS = frozenset({Rule.UNIT_MONTH, Rule.SITE_MONTH, Rule.EXTRA_UNIT})
