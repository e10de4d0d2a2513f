"""The month's close: one transaction of one operator."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any
from uuid import UUID

import accounts.queries
from accounts import clock, phrases, tenancy
from accounts.errors import BadInput, Conflict
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands import booking, issuing, numbering
from billing.models import PeriodClose
from billing.projections import adding, reading, storing
from billing.projections.spooling import Spool, Waiting, paused_collection
from billing.queries import closes
from billing.queries.wording import in_operators_words
from billing.rules import drafting
from billing.rules.dating import day_text
from billing.rules.documents import ENGINE
from billing.rules.drafting import drafts
from billing.rules.rating import Held, month_after
from servicing.queries import events as log

Progress = Callable[[int, int], None]
MOST_NAMED = 5


def close_month(
    *, actor: Actor, month: date, leave_held: bool = False, progress: Progress | None = None
) -> PeriodClose:
    """Close a month: fix the position of the log, dispose of every event up to it, rate, and issue the documents.

    ``month`` is its first day. A late event or a counter-event of an earlier month becomes a line of the difference. What
    sums to less than nothing gets no invoice; its lines wait for a later close. ``progress`` is told steps done and steps
    in all. BadInput before the month's end in the operator's zone; Conflict when it is closed or not the next in order,
    when there are no prices, and for charges that can't be made or issued yet (an index figure, purchase order or tax rate
    is missing), unless ``leave_held``: then they wait for the next close.
    """
    require(actor, Permission.INVOICES_ISSUE)
    with tenancy.writing(actor):
        return close_in_scope(actor=actor, month=month, leave_held=leave_held, progress=progress)


def close_in_scope(
    *, actor: Actor, month: date, leave_held: bool = False, progress: Progress | None = None
) -> PeriodClose:
    """``close_month`` in a transaction that is open already."""
    require(actor, Permission.INVOICES_ISSUE)
    numbering.locked_series()
    closing = begun(month)
    with in_operators_words(), paused_collection(), Spool() as spool:
        total = adding.rate_parts(closing, spool, progress)
        return stored(actor, total, leave_held=leave_held, progress=progress)


def begun(month: date, cut: int | None = None) -> reading.Closing:
    """What closing a month starts from, at a position of the log or at its end. Refused as ``close_month`` is."""
    _refuse_unfinished(month, clock.today(accounts.queries.get_operator().zone))
    previous = closes.last_close()
    # Positions are drawn and committed in order: nothing at or before the last one seen is still to come.
    closing = adding.begin(month, log.head_position() if cut is None else cut, previous)
    _refuse_out_of_order(month, previous, adding.first_month(closing) if previous is None else None)
    return closing


def stored(
    actor: Actor, total: adding.Sum, *, leave_held: bool, progress: Progress | None = None
) -> PeriodClose:
    """Store what the parts of a close came to and issue its documents, in the open transaction and the operator's words.

    Call it under ``numbering.locked_series``. Conflict for what is held, unless it may be left for the next close.
    """
    month, spool = total.closing.month, total.spool
    held = [_held(one) for one in total.held]
    if leave_held:
        held += [row for part in spool.parts() for row in _held_at_drafting(part, month)]
    else:
        _refuse_held(held)
    close = _close(actor, total, held)
    for done, part in enumerate(spool.parts(), start=total.parts + 1):
        issued = _add(close, part)
        if not leave_held:
            _refuse_held([_held_line(one) for one in issued.held])
        if progress is not None:
            progress(done, 2 * total.parts)
    booking.release_deferred(month)
    return close


def _close(actor: Actor, total: adding.Sum, held: list[dict[str, Any]]) -> PeriodClose:
    return PeriodClose.objects.create(
        month=total.closing.month,
        cut_position=total.closing.cut,
        closed_at=clock.now(),
        closed_by=actor.id,
        issued_on=clock.today(accounts.queries.get_operator().zone),
        engine=ENGINE,
        inputs=total.inputs,
        inputs_sha256=total.inputs_sha256,
        days_without_price=total.days_without_price,
        days_without_agreement=total.days_without_agreement,
        held=held,
    )


def _add(close: PeriodClose, part: Waiting) -> issuing.Issued:
    """Store what one part adds and issue its documents."""
    storing.store_inputs(close, part.number, part.frozen)
    storing.store_dispositions(close, part.dispositions)
    charges = [*part.older, *storing.store_charges(close, part.lines())]
    return issuing.issue(close=close, inputs=part.inputs, charges=charges)


def _held(one: Held) -> dict[str, Any]:
    return {
        "reason": str(one.reason),
        "customer": str(one.customer_id),
        "site": str(one.site_id),
        "site_code": one.site_code,
        "subject": str(one.subject_id),
        "event": str(one.event_id) if one.event_id else None,
        "item": one.item_code,
        "start": str(one.starts_on),
        "end_exclusive": str(one.ends_before),
        "detail": _(
            "The price of {item_code} at {site_code} waits for the figure of its index. Enter the figure.",
            item_code=one.item_code,
            site_code=one.site_code,
        ),
    }


def _held_at_drafting(part: Waiting, month: date) -> list[dict[str, Any]]:
    lines = [line for _, line in part.older] + part.lines()
    return [_held_line(one) for one in drafts(lines, part.inputs, month=month).held]


def _held_line(one: drafting.Held) -> dict[str, Any]:
    charge = one.line.charge
    return {
        "reason": str(one.reason),
        "customer": str(charge.customer_id),
        "site": str(charge.site_id) if charge.site_id else None,
        "site_code": charge.site_code,
        "subject": str(charge.subject_id),
        "event": str(charge.event_id) if charge.event_id else None,
        "item": charge.item_code,
        "charge": charge.key,
        "amount": f"{charge.amount:f}",
        "currency": charge.currency,
        "start": str(charge.starts_on),
        "end_exclusive": str(charge.ends_before),
        "detail": one.detail,
    }


def _refuse_held(held: Sequence[dict[str, Any]]) -> None:
    if not held:
        return
    details = list(dict.fromkeys(one["detail"] for one in held))
    if len(details) > MOST_NAMED:
        details[MOST_NAMED:] = [_("And {count} more.", count=len(details) - MOST_NAMED)]
    raise Conflict(
        _(
            "Nothing was closed: {count} charges can't be issued yet. {details} Then close the month, or close it and leave them for the next one.",
            count=len(held),
            details=" ".join(details),
        )
    )


def differences(operator_id: UUID) -> list[str]:
    """Every close rated again from the log: where that is not what is stored, one sentence each. Changes nothing."""
    return adding.check(operator_id)


def refuse_odd(month: date) -> None:
    """BadInput for what does not name a month by its first day."""
    if month.day != 1:
        raise BadInput(_("Name the month to close by its first day."))


def _refuse_unfinished(month: date, today: date) -> None:
    refuse_odd(month)
    if today < month_after(month):
        raise BadInput(
            _(
                "{month} can be closed from {day} on; today is {today}.",
                month=phrases.month(month),
                day=day_text(month_after(month)),
                today=day_text(today),
            )
        )


def _refuse_out_of_order(month: date, previous: PeriodClose | None, first: date | None) -> None:
    if previous is not None and month <= previous.month:
        raise Conflict(
            _(
                "{month} is closed already. What arrives late for it goes on the next invoice.",
                month=phrases.month(month),
            )
        )
    expected = month_after(previous.month) if previous is not None else first
    if expected is None:
        raise Conflict(_("There are no prices yet. Enter the price list, then close the month."))
    if month > expected:
        raise Conflict(
            _("Months are closed in order: close {expected} first.", expected=phrases.month(expected))
        )
    if month < expected:
        raise Conflict(
            _(
                "There is nothing to close before {expected}: no unit was in service at a price.",
                expected=phrases.month(expected),
            )
        )
