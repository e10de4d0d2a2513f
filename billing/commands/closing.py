"""The month's close: one transaction of one operator."""

from __future__ import annotations

from datetime import date
from uuid import UUID

import accounts.queries
from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict
from accounts.permissions import Actor, Permission, require
from billing.commands import issuing
from billing.commands.numbering import day_text, locked_series
from billing.models import PeriodClose
from billing.projections import adding, storing
from billing.queries import closes
from billing.rules.documents import ENGINE
from billing.rules.rating import month_after
from servicing.queries import events as log


def close_month(*, actor: Actor, month: date) -> PeriodClose:
    """Close a month: fix the position of the log, dispose of every event up to it, rate, and issue the invoices.

    ``month`` is its first day. A late event or a counter-event of an earlier month becomes a line of the difference. A
    customer whose lines sum to less than nothing gets no invoice; the lines wait for a later close. BadInput before
    the month's end in the operator's zone, Conflict when it is closed or not the next in order or there are no prices.
    """
    require(actor, Permission.INVOICES_ISSUE)
    with tenancy.writing(actor):
        locked_series()
        operator = accounts.queries.get_operator()
        today = clock.today(operator.zone)
        _refuse_unfinished(month, today)
        previous = closes.last_close()
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
        waiting = [(row.id, closes.as_line(row)) for row in closes.open_charges()]
        storing.store_dispositions(close, added.dispositions)
        charges = [*waiting, *storing.store_charges(close, added.lines)]
        issuing.issue(close=close, inputs=inputs, charges=charges)
        return close


def differences(operator_id: UUID) -> list[str]:
    """Every close rated again from the log: where that is not what is stored, one sentence each. Changes nothing."""
    return adding.check(operator_id)


def _refuse_unfinished(month: date, today: date) -> None:
    if month.day != 1:
        raise BadInput("Name the month to close by its first day.")
    if today < month_after(month):
        raise BadInput(
            f"{month:%B %Y} can be closed from {day_text(month_after(month))} on; today is {day_text(today)}."
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
