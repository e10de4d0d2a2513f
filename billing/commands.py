"""Prices and the month's close: one function per use case, each one transaction of one operator."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from django.db import IntegrityError, connection

import accounts.queries
from accounts import clock, tenancy
from accounts.commands.masterdata import ADDRESS_CODE, ADDRESS_CODE_MEANING
from accounts.errors import BadInput, Conflict, Problem
from accounts.ids import uuid7
from accounts.permissions import Actor, Permission, require
from billing import queries
from billing.models import (
    NumberSeries,
    PeriodClose,
    PriceItem,
    PriceVersion,
)
from billing.projections import adding, storing
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.documents import ENGINE, Heading, digest, document
from billing.rules.inputs import Basis, Inputs
from billing.rules.invoicing import Draft, Line, drafts
from billing.rules.money import PRICE_DECIMALS, UnknownCurrency, minor_units
from billing.rules.rating import month_after
from servicing.queries import events as log

SERIES = "INV"
FIXTURES = ("", "urinal", "water_closet")
MOST_CODE, MOST_NAME = 40, 120  # characters
LARGEST_PRICE = Decimal(10) ** 9


@dataclasses.dataclass(frozen=True, slots=True)
class NewPriceItem:
    """An item with its first price. ``currency`` empty: the operator's. ``event_type`` only with the basis event."""

    code: str
    name: str
    basis: str
    amount: Decimal
    effective_from: date
    fixture: str = ""
    event_type: str = ""
    currency: str = ""
    id: UUID | None = None


def add_price_items(*, actor: Actor, items: Sequence[NewPriceItem]) -> list[PriceItem]:
    """Add items to the price list, each from its first price on; all or none.

    BadInput for what can't be priced so, Conflict for a code or a piece of work that has an item, or a closed month.
    """
    require(actor, Permission.PRICES_MANAGE)
    problems = [
        Problem(f"/{index}{one.pointer}", one.code, one.detail)
        for index, new in enumerate(items)
        for one in _item_problems(new)
    ]
    if problems:
        raise BadInput(problems[0].detail, errors=problems)
    try:
        with tenancy.writing(actor):
            _locked_series()
            return _insert_items(items)
    except IntegrityError as clash:
        raise Conflict(
            "Nothing was added: an item of this code, or one for the same work at the same fixture, exists already."
        ) from clash


def _insert_items(items: Sequence[NewPriceItem]) -> list[PriceItem]:
    currency = accounts.queries.get_operator().currency
    made, versions = [], []
    for new in items:
        _refuse_closed_month(new.effective_from)
        row = PriceItem(
            code=new.code, name=new.name, basis=new.basis, fixture=new.fixture, event_type=new.event_type
        )
        row.id = new.id or row.id
        made.append(row)
        versions.append(
            PriceVersion(
                id=_version_id(row.id, new.effective_from),
                item=row,
                amount=new.amount,
                currency=new.currency or currency,
                effective_from=new.effective_from,
            )
        )
    PriceItem.objects.bulk_create(made)
    PriceVersion.objects.bulk_create(versions)
    return made


def set_price(
    *,
    actor: Actor,
    item_code: str,
    amount: Decimal,
    effective_from: date,
    currency: str = "",
) -> PriceVersion:
    """A new price of an item from a day on; the one before ends there, one set for later stays.

    Conflict for a day in a closed month or one from which the item has a price already; NotFound without the item.
    """
    require(actor, Permission.PRICES_MANAGE)
    if wrong := _price_problems(amount, currency):
        raise BadInput(wrong[0].detail, errors=wrong)
    with tenancy.writing(actor):
        _locked_series()
        item = queries.get_price_item(item_code)
        _refuse_closed_month(effective_from)
        versions = [v for v in queries.price_versions() if v.item_id == item.id]
        if any(v.effective_from == effective_from for v in versions):
            raise Conflict(
                f"{item.name} has a price from {_day(effective_from)} already. Choose another day."
            )
        until = min((v.effective_from for v in versions if v.effective_from > effective_from), default=None)
        for version in versions:
            if version.effective_from < effective_from and (
                version.effective_to is None or version.effective_to > effective_from
            ):
                version.effective_to = effective_from
                version.save(update_fields=["effective_to"])
        return PriceVersion.objects.create(
            id=_version_id(item.id, effective_from),
            item=item,
            amount=amount,
            currency=currency or accounts.queries.get_operator().currency,
            effective_from=effective_from,
            effective_to=until,
        )


def _version_id(item_id: UUID, effective_from: date) -> UUID:
    """Made from what makes a price one of its kind, since the keys of charges and so the documents contain it."""
    return uuid5(item_id, effective_from.isoformat())


def close_month(*, actor: Actor, month: date) -> PeriodClose:
    """Close a month: fix the position of the log, dispose of every event up to it, rate, and issue the invoices.

    ``month`` is its first day. A late event or a counter-event of an earlier month becomes a line of the difference. A
    customer whose lines sum to less than nothing gets no invoice; the lines wait for a later close. BadInput before
    the month's end in the operator's zone, Conflict when it is closed or not the next in order or there are no prices.
    """
    require(actor, Permission.INVOICES_ISSUE)
    with tenancy.writing(actor):
        series = _locked_series()
        operator = accounts.queries.get_operator()
        today = clock.today(operator.zone)
        _refuse_unfinished(month, today)
        previous = queries.last_close()
        # Positions are drawn and committed in order: nothing at or before the last one seen is still to come.
        cut = log.head_position()
        tenure = adding.tenure_upto(cut)
        inputs = adding.read_inputs(cut, tenure)
        _refuse_out_of_order(month, previous, adding.first_month(inputs, tenure))
        added = adding.additions(previous, month, cut, inputs, tenure)
        data, sha256 = adding.freeze(inputs)
        close = PeriodClose.objects.create(
            month=month,
            cut_position=cut,
            closed_at=clock.now(),
            closed_by=actor.id,
            issued_on=today,
            engine=ENGINE,
            inputs=data,
            inputs_sha256=sha256,
            days_without_price=added.days_without_price,
            days_without_agreement=added.days_without_agreement,
        )
        waiting = [(row.id, queries.as_line(row)) for row in queries.open_charges()]
        storing.store_dispositions(close, added.dispositions)
        _issue(series, close, inputs, [*waiting, *storing.store_charges(close, added.lines)])
        return close


def differences(operator_id: UUID) -> list[str]:
    """Every close rated again from the log: where that is not what is stored, one sentence each. Changes nothing."""
    return adding.check(operator_id)


def _issue(
    series: NumberSeries, close: PeriodClose, inputs: Inputs, charges: Sequence[tuple[UUID, Line]]
) -> None:
    """One invoice per customer and currency over these charge rows, in the order of the customers' codes."""
    codes = {customer.id: customer.code for customer in inputs.customers.values()}
    row_of = {id(line): row_id for row_id, line in charges}
    issued, _ = drafts([line for _, line in charges], codes)
    first, previous = _draw_numbers(series, len(issued)), queries.last_digest(series.id)
    invoices, invoice_lines = [], []
    for ordinal, draft in enumerate(issued, start=first):
        invoice = _invoice((series, ordinal), close, draft, inputs, previous)
        previous = invoice["document_sha256"]
        invoices.append(invoice)
        invoice_lines += [
            {
                "document_id": invoice["id"],
                "line": number,
                "charge_id": row_of[id(line)],
                "amount": line.charge.amount,
            }
            for number, line in enumerate(draft.lines, start=1)
        ]
    storing.store_invoices(invoices, invoice_lines)


def _invoice(
    number: tuple[NumberSeries, int], close: PeriodClose, draft: Draft, inputs: Inputs, previous: str
) -> dict[str, Any]:
    series, ordinal = number
    text = f"{series.code}-{ordinal:06d}"
    data = document(Heading(text, close.issued_on, close.month, previous), draft, inputs)
    return {
        "id": uuid7(),
        "series_id": series.id,
        "ordinal": ordinal,
        "number": text,
        "customer_id": draft.customer_id,
        "close_id": close.id,
        "issued_on": close.issued_on,
        "currency": draft.currency,
        "total": draft.total,
        "document": data,
        "document_sha256": digest(data),
        "previous_sha256": previous,
    }


def _locked_series() -> NumberSeries:
    """The operator's number series, locked until commit: prices and closes come one after the other."""
    NumberSeries.objects.bulk_create([NumberSeries(code=SERIES)], ignore_conflicts=True)
    return NumberSeries.objects.select_for_update().get(code=SERIES)


def _draw_numbers(series: NumberSeries, count: int) -> int:
    """Draw ``count`` numbers in this transaction and give the first: rolled back, they are not drawn."""
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE billing_numberseries SET next = next + %s WHERE operator_id = %s AND id = %s RETURNING next - %s",
            [count, series.operator_id, series.id, count],
        )
        return int(cursor.fetchone()[0])


def _item_problems(new: NewPriceItem) -> Iterable[Problem]:
    if not new.code or not new.name:
        yield Problem("/name" if new.code else "/code", "missing", "A price item needs a code and a name.")
    elif not ADDRESS_CODE.match(new.code) or len(new.code) > MOST_CODE:
        yield Problem("/code", "code", f"{ADDRESS_CODE_MEANING} It has at most {MOST_CODE} of them.")
    if len(new.name) > MOST_NAME or "\x00" in new.name:
        yield Problem("/name", "name", f"A name has at most {MOST_NAME} characters that can be printed.")
    yield from _basis_problems(new)
    yield from _price_problems(new.amount, new.currency)


def _basis_problems(new: NewPriceItem) -> Iterable[Problem]:
    if new.basis not in set(Basis):
        known = ", ".join(Basis)
        yield Problem("/basis", "basis", f"{new.basis} is no basis of a price. Choose one of {known}.")
    if new.fixture not in FIXTURES:
        yield Problem(
            "/fixture",
            "fixture",
            f"{new.fixture} is no fixture. Choose urinal or water_closet, or leave it empty for any.",
        )
    if new.basis == Basis.EVENT and new.event_type not in CHARGEABLE_TYPES:
        known = ", ".join(sorted(CHARGEABLE_TYPES))
        yield Problem(
            "/event_type",
            "event-type",
            f"{new.event_type or 'No event type'} can't be priced. Choose one of {known}.",
        )
    if new.basis != Basis.EVENT and new.event_type:
        yield Problem("/event_type", "event-type", "Only an item with the basis event names an event type.")


def _price_problems(amount: Decimal, currency: str) -> list[Problem]:
    problems = []
    if not isinstance(amount, Decimal) or not amount.is_finite() or not 0 <= amount < LARGEST_PRICE:
        problems.append(
            Problem("/amount", "out-of-range", "A price is a decimal from 0 up to a thousand million.")
        )
    elif amount != round(amount, PRICE_DECIMALS):
        problems.append(Problem("/amount", "decimals", f"A price has at most {PRICE_DECIMALS} decimals."))
    if currency:
        try:
            minor_units(currency)
        except UnknownCurrency as unknown:
            problems.append(Problem("/currency", "currency", str(unknown)))
    return problems


def _refuse_closed_month(effective_from: date) -> None:
    last = queries.last_close()
    if last is not None and effective_from < month_after(last.month):
        raise Conflict(
            f"{last.month:%B %Y} is closed, so a price can begin on {_day(month_after(last.month))} at the earliest."
        )


def _refuse_unfinished(month: date, today: date) -> None:
    if month.day != 1:
        raise BadInput("Name the month to close by its first day.")
    if today < month_after(month):
        raise BadInput(
            f"{month:%B %Y} can be closed from {_day(month_after(month))} on; today is {_day(today)}."
        )


def _refuse_out_of_order(month: date, previous: PeriodClose | None, first: date | None) -> None:
    if previous is not None and month <= previous.month:
        raise Conflict(f"{month:%B %Y} is closed already. What arrives late for it goes on the next invoice.")
    expected = month_after(previous.month) if previous is not None else first
    if expected is None:
        raise Conflict("There are no prices yet. Enter the price list, then close the month.")
    if month > expected:
        raise Conflict(f"Months are closed in order: close {expected:%B %Y} first.")
    if month < expected:
        raise Conflict(
            f"There is nothing to close before {expected:%B %Y}: no unit was in service at a price."
        )


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
