"""What an operator brings with it: the debts that are open, and the numbers that its documents go on with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from uuid import UUID

import accounts.queries
from accounts import clock, tenancy
from accounts.commands.masterdata import ADDRESS_CODE
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.allocating import amount_problems
from billing.commands.booking import book_documents
from billing.commands.numbering import locked_series, number_text, series_of
from billing.models import Document, NumberSeries
from billing.queries import parties, settling
from billing.queries.wording import in_operators_words
from billing.rules.dating import day_text
from billing.rules.documents import digest
from billing.rules.inputs import Customer
from billing.rules.opening import Debt, is_still_to_come, opening_document
from billing.rules.parties import Entity, Profile

FIRST_YEAR = 1900  # before it a date is a slip of the pen
MOST_NUMBER, MOST_PO_NUMBER = 40, 60  # characters
LARGEST_NUMBER = 10**9
LONGEST_TERM = timedelta(days=1096)
SERIES_KINDS = ("invoice", "credit_note")


@dataclass(frozen=True, slots=True)
class NewDebt:
    """What is left of a document of the books before, under its number there; without ``due_on`` it is due already.

    ``currency`` empty: the operator's. ``legal_entity``: the code of whose debtor it is, empty for the default one.
    """

    customer_id: UUID
    number: str
    issued_on: date
    amount: Decimal
    due_on: date | None = None
    currency: str = ""
    po_number: str = ""
    legal_entity: str = ""


def record_opening_debts(*, actor: Actor, debts: Sequence[NewDebt]) -> list[Document]:
    """Take over open debts, booked today against the opening account; all or none, pointers begin with the debt's index.

    BadInput for what can't be a debt, NotFound for a customer or legal entity that is not there, Conflict for a number
    that a document has or will get.
    """
    require(actor, Permission.INVOICES_ISSUE)
    with tenancy.writing(actor):
        locked_series()
        operator = accounts.queries.get_operator()
        today = clock.today(operator.zone)
        named = [replace(new, currency=new.currency or operator.currency) for new in debts]
        _refuse_odd(named, today)
        _refuse_taken(named)
        made = _documents(named, today)
        Document.objects.bulk_create(made)
        book_documents(made)
        return made


def begin_series(*, actor: Actor, kind: str, next_number: int, legal_entity: str = "") -> NumberSeries:
    """Let a legal entity's invoices or credit notes go on from a number, once, before the first one is drawn.

    BadInput for another kind or a number that is not above 1; Conflict once the series began.
    """
    require(actor, Permission.INVOICES_ISSUE)
    if kind not in SERIES_KINDS:
        raise _bad(
            "/kind", "kind", _("A series is of one of {series_kinds}.", series_kinds=", ".join(SERIES_KINDS))
        )
    if not 1 < next_number < LARGEST_NUMBER:
        raise _bad(
            "/next_number",
            "out-of-range",
            _("A series goes on from a number above 1, below a thousand million."),
        )
    with tenancy.writing(actor):
        locked_series()
        default = parties.default_entity()
        named = parties.get_legal_entity(legal_entity).id if legal_entity else default.id
        entity = default if named == default.id else parties.entities()[named]
        series = series_of(entity, kind, is_default=entity.id == default.id)
        if series.next != 1:
            raise Conflict(
                _(
                    "The series {code} began already: its next number is {number_text}. A series never goes back, and is set once.",
                    code=series.code,
                    number_text=number_text(series, series.next),
                )
            )
        series.next = next_number
        series.save(update_fields=["next"])
        # Read while the scope lasts: whoever shows it outside would find no issuer.
        assert series.legal_entity_id is None or series.legal_entity is not None
        return series


def _documents(debts: Sequence[NewDebt], today: date) -> list[Document]:
    entities = _entities(debts)
    customers = accounts.queries.customers_in({new.customer_id for new in debts})
    profiles = parties.profiles(customers)
    made = []
    for index, new in enumerate(debts):
        row = customers.get(new.customer_id)
        if row is None:
            raise _absent(f"/{index}/customer", _("There is no customer here with this id."))
        customer = Customer(row.id, row.code, row.name, row.address, row.country, row.billing_email)
        profile = profiles.get(row.id) or Profile(row.id)
        made.append(_document(new, today, entities[new.legal_entity], customer, profile))
    return made


def _document(new: NewDebt, today: date, entity: Entity, customer: Customer, profile: Profile) -> Document:
    debt = Debt(new.number, new.issued_on, new.due_on, today, new.amount, new.currency, new.po_number)
    with in_operators_words():
        data = opening_document(debt, entity, customer, profile)
    return Document(
        id=uuid7(),
        kind="opening",
        number=new.number,
        legal_entity_id=entity.id,
        customer_id=customer.id,
        issued_on=new.issued_on,
        due_on=new.due_on,
        currency=new.currency,
        net=new.amount,
        total=new.amount,
        po_number=new.po_number,
        document=data,
        document_sha256=digest(data),
    )


def _entities(debts: Sequence[NewDebt]) -> dict[str, Entity]:
    """The legal entities that the debts name, by code; "" the one that acts by default."""
    known = {entity.code: entity for entity in parties.entities().values()}
    known[""] = parties.default_entity()
    for index, new in enumerate(debts):
        if new.legal_entity not in known:
            raise _absent(f"/{index}/legal_entity", _("There is no legal entity here with this code."))
    return known


def _refuse_odd(debts: Sequence[NewDebt], today: date) -> None:
    problems = [
        Problem(f"/{index}{one.pointer}", one.code, one.detail)
        for index, new in enumerate(debts)
        for one in _problems(new, today)
    ]
    if problems:
        raise BadInput(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)


def _problems(new: NewDebt, today: date) -> Iterator[Problem]:
    yield from amount_problems(new.amount, new.currency)
    if not ADDRESS_CODE.match(new.number) or len(new.number) > MOST_NUMBER:
        meaning = _(
            "A number has letters, digits, dots, dashes, plus signs, underscores and spaces, and begins with a letter or digit."
        )
        yield Problem(
            "/number",
            "number",
            _("{meaning} It has at most {most_number} of them.", meaning=meaning, most_number=MOST_NUMBER),
        )
    if not new.issued_on.year >= FIRST_YEAR or new.issued_on > today:
        yield Problem(
            "/issued_on",
            "out-of-range",
            _("A debt was issued by {today}, the day it is taken over.", today=day_text(today)),
        )
    elif new.due_on is not None and not new.issued_on <= new.due_on <= new.issued_on + LONGEST_TERM:
        yield Problem(
            "/due_on", "out-of-range", _("A debt is due on its day of issue or up to three years after it.")
        )
    if len(new.po_number) > MOST_PO_NUMBER or "\x00" in new.po_number:
        yield Problem(
            "/po_number",
            "text",
            _(
                "It has at most {most_po_number} characters that can be printed.",
                most_po_number=MOST_PO_NUMBER,
            ),
        )


def _refuse_taken(debts: Sequence[NewDebt]) -> None:
    """No two documents have one number: not of those there are, of these, nor of those still to come."""
    seen = settling.numbers_in([new.number for new in debts])
    next_by_series = settling.next_numbers()
    problems = []
    for index, new in enumerate(debts):
        if new.number in seen:
            detail = _("A document of the number {number} exists already.", number=new.number)
            problems.append(Problem(f"/{index}/number", "taken", detail))
        elif is_still_to_come(new.number, next_by_series):
            detail = _(
                "{number} is a number that your own series will draw. Let the series go on from a higher one first.",
                number=new.number,
            )
            problems.append(Problem(f"/{index}/number", "still-to-come", detail))
        seen.add(new.number)
    if problems:
        raise Conflict(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)


def _absent(pointer: str, detail: str) -> NotFound:
    return NotFound(
        _("{detail} Nothing was recorded.", detail=detail), errors=[Problem(pointer, "not-found", detail)]
    )


def _bad(pointer: str, code: str, detail: str) -> BadInput:
    return BadInput(
        _("{detail} Nothing was changed.", detail=detail), errors=[Problem(pointer, code, detail)]
    )
