"""Single rows of billing's master data: checked field by field, and dated ones set one after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import Model

from accounts.commands.masterdata import (
    Check,
    Ranges,
    nothing_more,
    refuse_absent_references,
    refuse_bad_rows,
)
from accounts.errors import BadInput, Conflict, Problem, pointing_at_one
from accounts.languages import _
from billing.rules.dating import day_text
from billing.rules.money import PRICE_DECIMALS, UnknownCurrency, minor_units

LARGEST_PRICE = Decimal(10) ** 9


def refuse_bad_row(row: Model, *, ranges: Ranges | None = None, check: Check = nothing_more) -> None:
    """BadInput naming every field of a row that can't be so; where a field takes certain words, it says which."""
    if problems := unknown_words(row):
        raise BadInput(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)
    with pointing_at_one():
        refuse_bad_rows([row], ranges=ranges, check=check)


def refuse_absent(row: Model) -> None:
    """Inside an open scope: NotFound, pointing at each reference to what this operator does not have."""
    with pointing_at_one():
        refuse_absent_references([row])


def unknown_words(row: Model) -> list[Problem]:
    """The fields of a row that take words of a list and have another."""
    problems = []
    for field in row._meta.fields:
        words = [word for word, _ in field.flatchoices] if field.choices else []
        value = getattr(row, field.name) if words else None
        if words and value not in words:
            said = field.name.replace("_", " ")
            known = ", ".join(str(word) for word in words if word != "")
            problems.append(
                Problem(
                    f"/{field.name}",
                    "unknown",
                    _(
                        "{value} is no {said}. Choose one of {known}.",
                        value=value or _("Nothing"),
                        said=said,
                        known=known,
                    ),
                )
            )
    return problems


def changed(row: Any, values: Mapping[str, Any], names: frozenset[str]) -> Any:
    """The row with these values; TypeError for a name that can't be set."""
    if unknown := sorted(set(values) - names):
        raise TypeError(f"{type(row).__name__} has no {', '.join(unknown)} to set.")
    for name, value in values.items():
        setattr(row, name, value)
    return row


def make_room(rows: Sequence[Any], since: date, until: date | None, *, has: str) -> date | None:
    """Let a dated row begin among others of the same: the one before ends there. Gives where the new one ends.

    That is ``until``, or where the next begins. Conflict if one begins on ``since`` or before ``until``; ``has`` says
    what they are: "A clean wick has a price".
    """
    following = min((row.effective_from for row in rows if row.effective_from > since), default=None)
    if any(row.effective_from == since for row in rows):
        raise _overlap(
            _("{has} from {since} already. Choose another day.", has=has, since=day_text(since)),
            "/effective_from",
        )
    if until is not None and following is not None and following < until:
        raise _overlap(
            _(
                "{has} from {following} already. Let this one end there or before.",
                has=has,
                following=day_text(following),
            ),
            "/effective_to",
        )
    for row in rows:
        if cut_by(row, since):
            row.effective_to = since
            row.save(update_fields=["effective_to"])
    return until or following


def cut_by(row: Any, since: date) -> bool:
    """Whether a dated row began before a day and still holds on it."""
    return row.effective_from < since and (row.effective_to is None or row.effective_to > since)


def _overlap(detail: str, pointer: str) -> Conflict:
    return Conflict(detail, errors=[Problem(pointer, "overlap", detail)])


def end_problems(starts_on: date, ends_before: date | None, pointer: str) -> list[Problem]:
    """The end of days [starts_on, ends_before) that have none."""
    if ends_before is None or ends_before > starts_on:
        return []
    return [
        Problem(
            pointer,
            "before-start",
            _("It begins on {starts_on}, so its end must lie after that.", starts_on=day_text(starts_on)),
        )
    ]


def price_problems(amount: Decimal | None, pointer: str) -> list[Problem]:
    """A price or a minimum that can't be one; None is none."""
    if amount is None:
        return []
    if not isinstance(amount, Decimal) or not amount.is_finite() or not 0 <= amount < LARGEST_PRICE:
        return [Problem(pointer, "out-of-range", _("A price is a decimal from 0 up to a thousand million."))]
    if amount != round(amount, PRICE_DECIMALS):
        return [
            Problem(
                pointer,
                "decimals",
                _("A price has at most {price_decimals} decimals.", price_decimals=PRICE_DECIMALS),
            )
        ]
    return []


def currency_problems(currency: str, pointer: str = "/currency") -> list[Problem]:
    """A currency that ISO 4217 does not know; an empty one stands for the usual."""
    try:
        minor_units(currency or "EUR")
    except UnknownCurrency as unknown:
        return [Problem(pointer, "currency", str(unknown))]
    return []
