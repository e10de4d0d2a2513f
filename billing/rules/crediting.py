"""What is left of an invoice to give back, and credits that never give more.

A credit's tax is that of what it gives back, rounded as on the invoice; the credit that leaves nothing of a tax group
takes all that is left of the group's tax, so that an invoice and its credits sum to nothing in every group.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from accounts import phrases
from accounts.languages import _
from billing.rules.money import rounded_to, step_of
from billing.rules.tax import TaxGroup, tax_of

NOTHING = Decimal(0)


class CannotCredit(ValueError):
    """Base of why a credit can't be given; the sentence is for a person. ``index`` is the line of the request, if one."""

    def __init__(self, detail: str, index: int | None = None, field: str = "") -> None:
        super().__init__(detail)
        self.index, self.field = index, field


class Unacceptable(CannotCredit):
    """What was asked for makes no sense for this invoice."""


class MoreThanLeft(CannotCredit):
    """It would give back more than is left."""


@dataclass(frozen=True, slots=True)
class CreditedLine:
    """What is asked for: so much (net) of a line of the invoice, or (None) all that is left of it."""

    line: int
    amount: Decimal | None = None


@dataclass(frozen=True, slots=True)
class LineLeft:
    """A line of an invoice: what it billed, and what of that is left to give back. Negative for a line that gave back."""

    line: int
    amount: Decimal
    left: Decimal
    tax_key: tuple[str, Decimal, str] | None


@dataclass(frozen=True, slots=True)
class Creditable:
    """What is left of an invoice, line by line and by tax group (net and tax).

    ``step`` is what amounts are multiples of, ``basis`` how tax is rounded. ``payable_left`` includes cash rounding.
    """

    number: str
    currency: str
    step: Decimal
    basis: str
    lines: tuple[LineLeft, ...]
    groups: Mapping[tuple[str, Decimal, str], TaxGroup]
    net_left: Decimal
    tax_left: Decimal
    payable_left: Decimal

    @property
    def total_left(self) -> Decimal:
        return self.net_left + self.tax_left


@dataclass(frozen=True, slots=True)
class CreditLine:
    """What a credit gives back of one line."""

    line: int
    amount: Decimal


@dataclass(frozen=True, slots=True)
class Credit:
    """What a credit note gives back in all; every sum is positive."""

    lines: tuple[CreditLine, ...]
    groups: tuple[TaxGroup, ...]
    net: Decimal
    tax: Decimal
    payable: Decimal

    @property
    def total(self) -> Decimal:
        return self.net + self.tax


def creditable(
    document: Mapping[str, Any],
    given: Iterable[Mapping[str, Any]],
    standing: Mapping[str, Decimal] | None = None,
) -> Creditable:
    """What is left of an invoice after the credit notes ``given`` for it.

    ``standing`` gives by charge key what documents still bill of a charge: what a later invoice took back of it as a
    line of its own is not given back again. A key it does not name stands as billed.
    """
    given = list(given)
    back: dict[int, Decimal] = defaultdict(Decimal)
    for note in given:
        for line in note["lines"]:
            back[line["credits"]["line"]] += Decimal(line["amount"])
    stands = standing or {}
    lines = []
    for line in document["lines"]:
        billed = Decimal(line["amount"])
        left = billed - back[line["line"]]
        if left > 0 and line["charge"] in stands:
            left = max(min(left, stands[line["charge"]]), NOTHING)
        lines.append(LineLeft(line["line"], billed, left, _tax_key(line["tax"])))
    return Creditable(
        number=document["number"],
        currency=document["currency"],
        step=step_of(document["rounding"]["policy"], document["currency"]),
        basis=document["rounding"]["tax_basis"],
        lines=tuple(lines),
        groups=_groups_left(document, given),
        net_left=_left(document, given, "net"),
        tax_left=_left(document, given, "tax"),
        payable_left=_left(document, given, "payable"),
    )


def credit(
    of: Creditable, asked: Sequence[CreditedLine] | None = None, *, cash_step: Decimal = NOTHING
) -> Credit:
    """A credit of the lines asked for, or (None) of all that is left. Raises Unacceptable or MoreThanLeft.

    ``cash_step``: what the seller rounds sums to be paid to; 0 for not at all.
    """
    return give_back(of, _everything(of) if asked is None else _chosen(of, asked), cash_step=cash_step)


def give_back(of: Creditable, lines: Sequence[CreditLine], *, cash_step: Decimal = NOTHING) -> Credit:
    """A credit of these amounts, of which several may be of one line. Raises MoreThanLeft."""
    _refuse_overdrawn(of, lines)
    net = sum((line.amount for line in lines), NOTHING)
    if net < 0 or not lines:
        raise MoreThanLeft(_("Nothing is left of {number} to give back.", number=of.number))
    if net > of.net_left:
        raise MoreThanLeft(
            _(
                "That gives back {net} {currency} net, but only {net_left} are left of {number}.",
                net=phrases.amount(str(net)),
                currency=of.currency,
                net_left=phrases.amount(str(of.net_left)),
                number=of.number,
            )
        )
    groups = _credit_groups(of, lines)
    tax = sum((group.tax for group in groups), NOTHING)
    if net + tax <= 0:
        raise MoreThanLeft(_("Nothing is left of {number} to give back.", number=of.number))
    if tax > of.tax_left:
        raise MoreThanLeft(
            _(
                "That gives back {tax} {currency} of tax, but only {tax_left} are left of {number}.",
                tax=phrases.amount(str(tax)),
                currency=of.currency,
                tax_left=phrases.amount(str(of.tax_left)),
                number=of.number,
            )
        )
    return Credit(tuple(lines), tuple(groups), net, tax, _payable(of, net, tax, cash_step))


def _nothing_more(line: Any, of: Creditable) -> str:
    if not line.left:
        return _("Of line {line} of {number} nothing is left to give back.", line=line.line, number=of.number)
    return _(
        "Of line {line} of {number} only {left} {currency} are left to give back.",
        line=line.line,
        number=of.number,
        left=phrases.amount(str(line.left)),
        currency=of.currency,
    )


def _refuse_overdrawn(of: Creditable, lines: Iterable[CreditLine]) -> None:
    asked: dict[int, Decimal] = defaultdict(Decimal)
    for line in lines:
        asked[line.line] += line.amount
    for one in of.lines:
        if one.line in asked and abs(asked[one.line]) > abs(one.left):
            raise MoreThanLeft(_nothing_more(one, of))


def _everything(of: Creditable) -> list[CreditLine]:
    return [CreditLine(line.line, line.left) for line in of.lines if line.left]


def _chosen(of: Creditable, asked: Sequence[CreditedLine]) -> list[CreditLine]:
    lines = {line.line: line for line in of.lines}
    seen: set[int] = set()
    chosen = []
    for index, one in enumerate(asked):
        line = lines.get(one.line)
        if line is None:
            raise Unacceptable(
                _(
                    "{number} has no line {line}. Choose one of 1 to {count}.",
                    number=of.number,
                    line=one.line,
                    count=len(lines),
                ),
                index,
                "line",
            )
        if one.line in seen:
            raise Unacceptable(
                _("Line {line} is named twice. Name it once, with the sum.", line=one.line), index, "line"
            )
        seen.add(one.line)
        amount = line.left if one.amount is None else one.amount
        _refuse_amount(of, line, amount, index)
        chosen.append(CreditLine(one.line, amount))
    if not chosen:
        raise Unacceptable(_("Name at least one line to give back of, or none for all that is left."))
    return chosen


def _refuse_amount(of: Creditable, line: LineLeft, amount: Decimal, index: int) -> None:
    if line.amount < 0:
        detail = _(
            "Line {line} of {number} gave something back itself. It is undone by giving back all that is left.",
            line=line.line,
            number=of.number,
        )
        raise Unacceptable(detail, index, "line")
    if not amount.is_finite() or amount < 0 or (amount == 0 and line.left > 0):
        raise Unacceptable(_("What is given back is more than 0."), index, "amount")
    if amount > line.left or line.left == 0:
        raise MoreThanLeft(
            _nothing_more(line, of),
            index,
            "amount",
        )
    if amount % of.step:
        raise Unacceptable(
            _(
                "Amounts in {currency} are multiples of {step}; {amount} is not.",
                currency=of.currency,
                step=phrases.amount(str(of.step)),
                amount=phrases.amount(str(amount)),
            ),
            index,
            "amount",
        )


def _credit_groups(of: Creditable, lines: Iterable[CreditLine]) -> list[TaxGroup]:
    keys = {line.line: line.tax_key for line in of.lines}
    amounts: dict[tuple[str, Decimal, str], list[Decimal]] = defaultdict(list)
    for line in lines:
        key = keys[line.line]
        if key is not None:
            amounts[key].append(line.amount)
    return [_credit_group(of, of.groups[key], amounts[key]) for key in sorted(amounts)]


def _credit_group(of: Creditable, left: TaxGroup, amounts: Sequence[Decimal]) -> TaxGroup:
    base = sum(amounts, NOTHING)
    tax = (
        sum((tax_of(amount, left.rate, of.step) for amount in amounts), NOTHING)
        if of.basis == "item"
        else tax_of(base, left.rate, of.step)
    )
    # What stays must have the sign of its base: the tax of a base of 0 is 0.
    stays, base_stays = left.tax - tax, left.base - base
    if base_stays == 0 or stays * base_stays < 0:
        tax = left.tax
    return TaxGroup(left.category, left.rate, left.jurisdiction, left.name, left.reason, base, tax)


def _payable(of: Creditable, net: Decimal, tax: Decimal, cash_step: Decimal) -> Decimal:
    if net == of.net_left and tax == of.tax_left:
        return of.payable_left
    total = net + tax
    return min(rounded_to(total, cash_step) if cash_step else total, of.payable_left)


def _groups_left(
    document: Mapping[str, Any], given: Sequence[Mapping[str, Any]]
) -> dict[tuple[str, Decimal, str], TaxGroup]:
    base: dict[tuple[str, Decimal, str] | None, Decimal] = defaultdict(Decimal)
    tax: dict[tuple[str, Decimal, str] | None, Decimal] = defaultdict(Decimal)
    for note in given:
        for group in note["tax_groups"]:
            base[_tax_key(group)] += Decimal(group["base"])
            tax[_tax_key(group)] += Decimal(group["tax"])
    left = {}
    for group in document["tax_groups"]:
        category, rate, jurisdiction = group["category"], Decimal(group["rate"]), group["jurisdiction"]
        key = (category, rate, jurisdiction)
        left[key] = TaxGroup(
            category,
            rate,
            jurisdiction,
            group["name"],
            group["reason"],
            Decimal(group["base"]) - base[key],
            Decimal(group["tax"]) - tax[key],
        )
    return left


def _left(document: Mapping[str, Any], given: Iterable[Mapping[str, Any]], name: str) -> Decimal:
    return Decimal(document[name]) - sum((Decimal(note[name]) for note in given), NOTHING)


def _tax_key(tax: Mapping[str, Any] | None) -> tuple[str, Decimal, str] | None:
    return (tax["category"], Decimal(tax["rate"]), tax["jurisdiction"]) if tax else None
