"""What a month's royalty to the network comes to, and the statement that says so; plain values in, plain JSON out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, localcontext
from enum import StrEnum
from itertools import pairwise
from typing import Any

from accounts.languages import _
from billing.rules.documents import amount_text, decimal_text, spoken
from billing.rules.money import ROUNDING_POLICY, allocated, minor_units, rounded
from billing.rules.months import month_after

ENGINE = "wickround-royalty/1"
HUNDRED = Decimal(100)
NONE = Decimal(0)


class Basis(StrEnum):
    """What the royalty is a part of: what was billed in a month, or what was paid in it. Net of tax and credits."""

    BILLED = "billed"
    COLLECTED = "collected"


@dataclass(frozen=True, slots=True)
class Tier:
    """``percent`` of the part of a month's base up to ``upto``, from where the tier below ends; None: of all the rest."""

    upto: Decimal | None
    percent: Decimal


@dataclass(frozen=True, slots=True)
class Terms:
    """What was agreed with the network, from the first day of a month on."""

    effective_from: date
    network_name: str
    basis: Basis
    tiers: tuple[Tier, ...]
    minimum: Decimal
    fund_percent: Decimal
    currency: str


@dataclass(frozen=True, slots=True)
class Row:
    """One document's part of a base, net of tax: what it billed (a credit note less than nothing), or what was paid of it
    in the month, or paid back of a credit note (less than nothing). ``on``: the day it was issued, or last paid on.
    """

    kind: str
    number: str
    on: date
    amount: Decimal


@dataclass(frozen=True, slots=True)
class TierPart:
    """What of a base lies in one tier, and the royalty on it."""

    above: Decimal
    upto: Decimal | None
    percent: Decimal
    base: Decimal
    royalty: Decimal


@dataclass(frozen=True, slots=True)
class Reckoned:
    """A month's royalty. ``subject``: base and what was carried in, if that is more than nothing."""

    base: Decimal
    carried_in: Decimal
    subject: Decimal
    carried_out: Decimal
    tiers: tuple[TierPart, ...]
    from_tiers: Decimal
    royalty: Decimal
    is_minimum: bool
    fund: Decimal


@dataclass(frozen=True, slots=True)
class Heading:
    """What a statement says beside its figures. ``previous_sha256``: of the statement before, "" on the first."""

    month: date
    issued_on: date
    legal_name: str
    previous_sha256: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What a month's base does not hold, so that nobody misses it: what was paid of debts of the books before, and code,
    count and net of documents in other currencies.
    """

    brought_forward: Decimal = NONE
    other_currencies: tuple[tuple[str, int, Decimal], ...] = ()


def reckoned(base: Decimal, carried_in: Decimal, terms: Terms) -> Reckoned:
    """A month's royalty and fund in the terms' currency, rounded half away from zero, each once.

    The tiers are marginal: each percentage is of the part of the base that lies in its tier. A base that comes to less
    than nothing, with what was carried in (never more than nothing), owes the minimum and is carried out. The fund gets
    its percentage of the same base, but never what the tiers took already. Common practice of franchise agreements, no
    published source.
    """
    sum_ = base + carried_in
    subject, carried_out = max(sum_, NONE), min(sum_, NONE)
    tiers = _tier_parts(subject, terms)
    from_tiers = sum((tier.royalty for tier in tiers), NONE)
    fund = rounded(subject * terms.fund_percent / HUNDRED, terms.currency)
    return Reckoned(
        base=base,
        carried_in=carried_in,
        subject=subject,
        carried_out=carried_out,
        tiers=tiers,
        from_tiers=from_tiers,
        royalty=max(from_tiers, terms.minimum),
        is_minimum=from_tiers < terms.minimum,
        fund=min(fund, subject - from_tiers),
    )


def _tier_parts(subject: Decimal, terms: Terms) -> tuple[TierPart, ...]:
    """The parts of a base by tier. Their royalties sum to the exact royalty rounded once: largest remainder."""
    bounds = [NONE, *(tier.upto for tier in terms.tiers)]
    parts = [
        max(min(subject, subject if upto is None else upto) - (above or NONE), NONE)
        for above, upto in pairwise(bounds)
    ]
    with localcontext() as context:
        context.prec = 50
        exact = {
            f"{place:06d}": part * tier.percent / HUNDRED
            for place, (part, tier) in enumerate(zip(parts, terms.tiers, strict=True))
        }
        total = rounded(sum(exact.values(), NONE), terms.currency)
    split = allocated(total, exact, terms.currency) if any(exact.values()) else dict.fromkeys(exact, NONE)
    return tuple(
        TierPart(bounds[place] or NONE, tier.upto, tier.percent, parts[place], split[f"{place:06d}"])
        for place, tier in enumerate(terms.tiers)
    )


def share_paid(net: Decimal, payable: Decimal, paid: Decimal, currency: str) -> Decimal:
    """What of a document's ``net`` is collected once ``paid`` of its ``payable`` is.

    Each month takes the difference to what was stated before, so that a document paid in full comes to its net.
    """
    if not payable:
        return NONE
    with localcontext() as context:
        context.prec = 50
        return rounded(net * paid / payable, currency)


def tiers_read(data: Iterable[dict[str, Any]]) -> tuple[Tier, ...]:
    """Tiers from their stored JSON."""
    return tuple(
        Tier(None if one["upto"] is None else Decimal(one["upto"]), Decimal(one["percent"])) for one in data
    )


def tiers_stored(tiers: Iterable[Tier]) -> list[dict[str, Any]]:
    return [
        {"upto": None if one.upto is None else decimal_text(one.upto), "percent": decimal_text(one.percent)}
        for one in tiers
    ]


def tier_problems(tiers: Sequence[Tier], fund_percent: Decimal) -> list[tuple[int | None, str, str]]:
    """What is wrong with tiers: place (None: the fund), code and a sentence. Percentages lie between 0 and 100."""
    found: list[tuple[int | None, str, str]] = []
    if not tiers:
        return [
            (None, "no-tiers", _("Name at least one tier; a single one up to no end is a flat percentage."))
        ]
    for place, tier in enumerate(tiers):
        is_last = place == len(tiers) - 1
        if not NONE <= tier.percent <= HUNDRED:
            found.append((place, "percent", _("A percentage lies between 0 and 100.")))
        elif tier.percent + fund_percent > HUNDRED:
            found.append(
                (place, "percent", _("A tier and the fund together take no more than 100 per cent."))
            )
        if is_last != (tier.upto is None):
            found.append((place, "upto", _("Every tier but the last has an end, and the last has none.")))
    ends = [NONE, *(tier.upto for tier in tiers if tier.upto is not None)]
    if any(upper <= lower for lower, upper in pairwise(ends)):
        found.append(
            (
                0,
                "upto",
                _("Give the tiers in order: each ends higher than the one before, the first above 0."),
            )
        )
    return found


def statement(
    heading: Heading,
    terms: Terms,
    reckoned_: Reckoned,
    rows: Sequence[Row],
    left_out: LeftOut,
) -> dict[str, Any]:
    """The network's statement as plain JSON: amounts as text with all minor units, documents by number and amount only."""
    currency = terms.currency

    def money(amount: Decimal) -> str:
        return amount_text(amount, currency)

    return {
        "base": money(reckoned_.base),
        "brought_forward": money(left_out.brought_forward),
        "basis": str(terms.basis),
        "carried_in": money(reckoned_.carried_in),
        "carried_out": money(reckoned_.carried_out),
        "currency": currency,
        **spoken(),
        "document": "royalty_statement",
        "engine": ENGINE,
        "from_tiers": money(reckoned_.from_tiers),
        "fund": money(reckoned_.fund),
        "is_minimum": reckoned_.is_minimum,
        "issued_on": str(heading.issued_on),
        "issuer": {"legal_name": heading.legal_name},
        "minor_units": minor_units(currency),
        "month": f"{heading.month:%Y-%m}",
        "network": {"name": terms.network_name},
        "other_currencies": [
            {"count": count, "currency": code, "net": amount_text(net, code)}
            for code, count, net in left_out.other_currencies
        ],
        "period": {"end_exclusive": str(month_after(heading.month)), "start": str(heading.month)},
        "previous_sha256": heading.previous_sha256,
        "rounding": ROUNDING_POLICY,
        "rows": [_row(row, money(row.amount)) for row in rows],
        "royalty": money(reckoned_.royalty),
        "subject": money(reckoned_.subject),
        "terms": {
            "effective_from": str(terms.effective_from),
            "fund_percent": decimal_text(terms.fund_percent),
            "minimum": money(terms.minimum),
            "tiers": tiers_stored(terms.tiers),
        },
        "tiers": [_tier(part, money) for part in reckoned_.tiers],
    }


def _row(row: Row, amount: str) -> dict[str, Any]:
    return {
        "amount": amount,
        "kind": row.kind,
        "number": row.number,
        "on": str(row.on),
    }


def _tier(part: TierPart, money: Any) -> dict[str, Any]:
    return {
        "above": money(part.above),
        "base": money(part.base),
        "percent": decimal_text(part.percent),
        "royalty": money(part.royalty),
        "upto": None if part.upto is None else money(part.upto),
    }
