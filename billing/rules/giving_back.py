"""What a close takes back of earlier invoices: on a credit note for each, on the next invoice, or not again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from uuid import UUID

from billing.rules.crediting import Credit, Creditable, CreditLine, MoreThanLeft, give_back
from billing.rules.inputs import Inputs
from billing.rules.invoicing import Kind, Line
from billing.rules.tax import tax_point
from billing.rules.terms import CreditAs


@dataclass(frozen=True, slots=True)
class Place:
    """A line of an issued invoice."""

    document_id: UUID
    line: int


@dataclass(frozen=True, slots=True)
class History:
    """What was issued of the charges that a close takes back of.

    ``places`` gives by charge key the invoice lines that a credit of it can be given on, the latest first; ``standing``
    what documents still bill of a key, ``by_hand`` how much of it the office gave back by hand; ``left`` what is left of
    the invoices named in ``places``, and ``cash_steps`` what their sellers round sums to be paid to.
    """

    places: Mapping[str, Sequence[Place]] = field(default_factory=dict)
    standing: Mapping[str, Decimal] = field(default_factory=dict)
    by_hand: Mapping[str, Decimal] = field(default_factory=dict)
    left: Mapping[UUID, Creditable] = field(default_factory=dict)
    cash_steps: Mapping[UUID, Decimal] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class GivenBack:
    """A credit of one invoice, and the lines it is made of, in the order of the credit's own."""

    document_id: UUID
    credit: Credit
    lines: tuple[Line, ...]


@dataclass(slots=True)
class Split:
    """Credit notes to issue, lines that go on invoices, and lines that were given back already and wait."""

    given: list[GivenBack] = field(default_factory=list)
    rest: list[Line] = field(default_factory=list)
    waiting: list[Line] = field(default_factory=list)


def wants_note(line: Line, inputs: Inputs) -> bool:
    """Whether the line takes something back and its contract asks for a credit note of its own for that."""
    charge = line.charge
    if line.kind is not Kind.CREDIT or charge.contract_id is None:
        return False
    contract = inputs.contracts.get(charge.contract_id)
    terms = contract.terms_on(tax_point(charge)) if contract else None
    return terms is not None and terms.credit_as is CreditAs.CREDIT_NOTE


def split(lines: Iterable[Line], inputs: Inputs, history: History) -> Split:
    """Part what goes on credit notes from what goes on invoices.

    A credit stands on the latest invoice line of its charge that has enough left; one that no line can bear whole goes
    on the next invoice. What the office gave back by hand is not given back again: where a charge would fall below that,
    what takes it back waits, and the office gives any rest back by hand as well.
    """
    found = Split()
    twice = _given_twice(lines := list(lines), history)
    noted: dict[UUID, list[tuple[CreditLine, Line]]] = defaultdict(list)
    taken: dict[Place, Decimal] = defaultdict(Decimal)
    for line in sorted(lines, key=lambda one: one.sort_key):
        place = _place(line, history, taken) if wants_note(line, inputs) else None
        if line.charge.amount < 0 and line.charge.key in twice:
            found.waiting.append(line)
        elif place is None:
            found.rest.append(line)
        else:
            taken[place] -= line.charge.amount
            noted[place.document_id].append((CreditLine(place.line, -line.charge.amount), line))
    for document_id in sorted(noted, key=lambda one: history.left[one].number):
        _give(document_id, noted[document_id], history, found)
    return found


def _given_twice(lines: Iterable[Line], history: History) -> set[str]:
    stands: dict[str, Decimal] = {}
    for line in lines:
        key = line.charge.key
        if key in history.by_hand:
            stands[key] = stands.get(key, history.standing[key]) + line.charge.amount
    return {key for key, amount in stands.items() if amount < 0}


def _place(line: Line, history: History, taken: Mapping[Place, Decimal]) -> Place | None:
    for place in history.places.get(line.charge.key, ()):
        left = next(one.left for one in history.left[place.document_id].lines if one.line == place.line)
        if left - taken.get(place, Decimal(0)) >= -line.charge.amount:
            return place
    return None


def _give(
    document_id: UUID, credited: Sequence[tuple[CreditLine, Line]], history: History, found: Split
) -> None:
    step = history.cash_steps.get(document_id, Decimal(0))
    lines = tuple(line for _, line in credited)
    try:
        credit = give_back(history.left[document_id], [one for one, _ in credited], cash_step=step)
    except MoreThanLeft:
        found.rest += lines
    else:
        found.given.append(GivenBack(document_id, credit, lines))
