"""Amounts, quantities and tax groups of a document as EN 16931 wants them stated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal, localcontext
from typing import Any

from billing.rules.ubl.codes import NOT_SUBJECT, REASONS

CENT = Decimal("0.01")


def plain(number: str | int | Decimal) -> str:
    """A decimal without trailing zeros, exponent or negative zero."""
    value = Decimal(number)
    text = format(value, "f") if value else "0"
    return text.rstrip("0").rstrip(".") if "." in text else text


def amount_text(text: str) -> str:
    """An amount with at most two decimals, which is all that EN 16931 allows (BR-DEC); the rest must be zeros to go."""
    whole, _, decimals = text.partition(".")
    return f"{whole}.{decimals[:2]}" if len(decimals) > 2 and not decimals[2:].strip("0") else text  # noqa: PLR2004


@dataclass(frozen=True, slots=True)
class Figures:
    """A line's ``quantity`` of ``of`` at ``price``, the ``adjustment`` that takes it to ``amount``; texts but for the last.

    The price is never negative (BR-27): the sign stands on the quantity. Receivers compute quantity times price over base
    quantity rounded to two decimals, and add charges and take away allowances; ``adjustment`` is what they then lack,
    where a fee was split, taken as a difference of earlier lines, or rounded to whole yen.
    """

    quantity: str
    of: str
    price: str
    amount: str
    adjustment: Decimal


def figures(line: Mapping[str, Any]) -> Figures:
    part, of = Decimal(line["quantity"]["part"]), Decimal(line["quantity"]["of"])
    price = Decimal(line["unit_price"])
    if price < 0:
        part, price = -part, -price
    with localcontext() as context:
        context.prec = 50
        computed = (part * price / of).quantize(CENT, rounding=ROUND_HALF_UP)
    amount = amount_text(line["amount"])
    return Figures(plain(part), plain(of), plain(price), amount, Decimal(amount) - computed)


def has_not_subject(document: Mapping[str, Any]) -> bool:
    """Whether something is outside the tax: then no VAT identifier may stand on the document (BR-O-02)."""
    return any(group["category"] == NOT_SUBJECT for group in document["tax_groups"])


def rate_text(category: str, rate: str | None) -> str:
    """A rate in percent, "0" where there is a category but no tax, and "" where there can't be one."""
    return "" if category == NOT_SUBJECT else plain(rate or "0")


@dataclass(frozen=True, slots=True)
class Group:
    """One VAT breakdown: all there is of one category and rate."""

    category: str
    rate: str
    reason: str
    base: str
    tax: str


def groups(document: Mapping[str, Any]) -> list[Group]:
    """The document's tax groups in its order, those of one category and rate as one (BR-S-08 compares it to the lines)."""
    merged: dict[tuple[str, str], Group] = {}
    for given in document["tax_groups"]:
        category = given["category"]
        key = (category, rate_text(category, given["rate"]))
        words = REASONS.get(category)
        reason = (given["reason"] or words[0]) if words else ""
        group = Group(*key, reason, amount_text(given["base"]), amount_text(given["tax"]))
        merged[key] = _sum(merged[key], group) if key in merged else group
    return list(merged.values())


def _sum(one: Group, other: Group) -> Group:
    base, tax = Decimal(one.base) + Decimal(other.base), Decimal(one.tax) + Decimal(other.tax)
    return Group(one.category, one.rate, one.reason, format(base, "f"), format(tax, "f"))
