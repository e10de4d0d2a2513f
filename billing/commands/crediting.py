"""Credit notes by hand: a part of an invoice, or all that is left of it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import accounts.queries
from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, Problem
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands import freezing
from billing.commands.freezing import Intended, LineRow
from billing.commands.numbering import credit_series, locked_series
from billing.models import Document
from billing.queries import crediting, documents
from billing.queries.wording import in_operators_words
from billing.rules.crediting import CannotCredit, Credit, CreditedLine, MoreThanLeft, credit
from billing.rules.documents import Heading, credit_note

MOST_REASON = 200  # characters


def credit_document(
    *, actor: Actor, number: str, reason: str, lines: Sequence[CreditedLine] | None = None
) -> Document:
    """Give back of an invoice: so much net of some lines, or (None) all that is left, which voids it.

    The credit note is issued at once, with its tax and its own number; the invoice stays as it is. NotFound for an unknown
    number. BadInput without a reason, for an unknown line, or an amount that is none. Conflict for a document that is no
    invoice, and for more than is left of the line, of its tax or of the invoice: the sentence says what is left.
    """
    require(actor, Permission.INVOICES_ISSUE)
    reason = _reason(reason)
    with tenancy.writing(actor):
        locked_series()
        original = documents.get_document(number)
        if original.kind != "invoice" or original.series is None:
            raise Conflict(
                _(
                    "{number} is no invoice that was issued here. Only an invoice can be given back of; name its number.",
                    number=number,
                )
            )
        given = _credit(original, lines)
        ids = crediting.line_ids(original.id)
        intended = Intended(
            make=partial(_credit_note, original, given, reason),
            lines=[LineRow(credits_id=ids[line.line]) for line in given.lines],
            customer_id=original.customer_id,
            legal_entity_id=original.legal_entity_id,
            corrects_id=original.id,
        )
        with in_operators_words():
            (note,) = freezing.freeze(credit_series(original.series), [intended])
        return note


def _reason(text: str) -> str:
    reason = " ".join(text.split())
    if not reason or len(reason) > MOST_REASON or not reason.isprintable():
        detail = _(
            "Say why it is given back, in at most {most_reason} characters: it stands on the credit note.",
            most_reason=MOST_REASON,
        )
        raise BadInput(detail, errors=[Problem("/reason", "reason", detail)])
    return reason


def _credit(original: Document, lines: Sequence[CreditedLine] | None) -> Credit:
    left = crediting.creditables([original])[original.id]
    step = crediting.cash_steps([original])[original.id]
    try:
        return credit(left, lines, cash_step=step)
    except CannotCredit as refused:
        pointer = "/lines" if refused.index is None else f"/lines/{refused.index}/{refused.field}"
        problems = [] if lines is None else [Problem(pointer, _code(refused), str(refused))]
        kind = Conflict if isinstance(refused, MoreThanLeft) else BadInput
        raise kind(str(refused), errors=problems) from None


def _code(refused: CannotCredit) -> str:
    return "more-than-left" if isinstance(refused, MoreThanLeft) else refused.field or "lines"


def _credit_note(
    original: Document, given: Credit, reason: str, number: str, previous: str
) -> dict[str, Any]:
    issued_on = clock.today(accounts.queries.get_operator().zone)
    return credit_note(Heading(number, issued_on, None, previous, reason=reason), original.document, given)
