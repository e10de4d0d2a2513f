"""Whether a document's own figures hold: an independent reckoning over its JSON, which shares no code with what made it.

Numbers are those of the invariants of billing: 1 sums, 2 tax groups, 12 periods, 18 minor units.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any


@dataclass(frozen=True, slots=True)
class Fault:
    """One invariant that does not hold, as a sentence."""

    invariant: int
    sentence: str


def document_faults(document: Mapping[str, Any]) -> list[Fault]:
    """What is wrong in a document's figures, [] if nothing is. An opening debt has no lines and is not asked."""
    name = f"Document {document['number']}"
    return [
        *_sums(name, document),
        *_groups(name, document),
        *_periods(name, document),
        *_minor_units(name, document),
    ]


def _sums(name: str, document: Mapping[str, Any]) -> Iterator[Fault]:
    lines = sum((Decimal(line["amount"]) for line in document["lines"]), Decimal(0))
    net, tax, total = (Decimal(document[field]) for field in ("net", "tax", "total"))
    groups = sum((Decimal(group["tax"]) for group in document["tax_groups"]), Decimal(0))
    payable, rounding = Decimal(document["payable"]), Decimal(document["cash_rounding"])
    if lines != net:
        yield Fault(1, f"{name}: its lines sum to {lines}, its net amount is {net}.")
    if groups != tax:
        yield Fault(1, f"{name}: its tax groups sum to {groups}, its tax is {tax}.")
    if net + tax != total:
        yield Fault(1, f"{name}: net {net} and tax {tax} are not its total {total}.")
    if total + rounding != payable:
        yield Fault(
            1, f"{name}: total {total} and cash rounding {rounding} are not what is payable, {payable}."
        )
    if total < 0:
        yield Fault(1, f"{name}: its total {total} is negative.")


def _groups(name: str, document: Mapping[str, Any]) -> Iterator[Fault]:
    lines: dict[tuple[str, ...], list[Decimal]] = defaultdict(list)
    for line in document["lines"]:
        if line["tax"] is not None:
            lines[_key(line["tax"])].append(Decimal(line["amount"]))
        elif document["tax_groups"]:
            yield Fault(2, f"{name}: line {line['line']} stands in no tax group.")
    step = _step(document)
    by_line = document["rounding"]["tax_basis"] == "item"
    for group in document["tax_groups"]:
        amounts = lines.pop(_key(group), [])
        base, tax = Decimal(group["base"]), Decimal(group["tax"])
        label = f"{name}: tax group {group['category']} {group['rate']} %"
        if sum(amounts, Decimal(0)) != base:
            yield Fault(2, f"{label} has the base {base}, its lines sum to {sum(amounts, Decimal(0))}.")
        parts = amounts if by_line else [base]
        wanted = sum((_percent(one, Decimal(group["rate"] or 0), step) for one in parts), Decimal(0))
        if wanted != tax and document["document"] == "invoice":
            yield Fault(2, f"{label} has {tax} of tax, {wanted} follows from its base.")
    for category, rate, _ in lines:
        yield Fault(2, f"{name}: lines are taxed {category} {rate} %, and no tax group sums them.")


def _step(document: Mapping[str, Any]) -> Decimal:
    """What amounts are multiples of: the minor unit, or 0.01 where the policy says two decimals."""
    decimals = document["minor_units"]
    return Decimal(1).scaleb(-min(decimals, 2) if "/2dp/" in document["rounding"]["policy"] else -decimals)


def _key(tax: Mapping[str, Any]) -> tuple[str, ...]:
    return (tax["category"], str(tax["rate"]), tax["jurisdiction"])


def _percent(amount: Decimal, rate: Decimal, step: Decimal) -> Decimal:
    """Half away from zero; exact before it, since a rate has at most four decimals."""
    return (amount * rate / 100).quantize(step, rounding=ROUND_HALF_UP)


def _periods(name: str, document: Mapping[str, Any]) -> Iterator[Fault]:
    for line in document["lines"]:
        start, end = line["period"]["start"], line["period"]["end_exclusive"]
        if start >= end:
            yield Fault(12, f"{name}: line {line['line']} covers no day, from {start} until before {end}.")


def _minor_units(name: str, document: Mapping[str, Any]) -> Iterator[Fault]:
    most, step = document["minor_units"], _step(document)
    for label, text in _amounts(document):
        decimals = len(text.partition(".")[2])
        if decimals != most:
            yield Fault(
                18, f"{name}: {label} {text} has {decimals} decimals, {document['currency']} here has {most}."
            )
        elif Decimal(text) % step:
            yield Fault(18, f"{name}: {label} {text} is no multiple of {step}, which its policy rounds to.")


def _amounts(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for field in ("net", "tax", "total", "payable", "cash_rounding"):
        yield field.replace("_", " "), document[field]
    for line in document["lines"]:
        yield f"the amount of line {line['line']}", line["amount"]
    for group in document["tax_groups"]:
        yield f"the base of {group['category']} {group['rate']} %", group["base"]
        yield f"the tax of {group['category']} {group['rate']} %", group["tax"]
