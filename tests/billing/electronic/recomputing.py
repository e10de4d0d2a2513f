"""Every amount of a UBL document computed anew from its parts, exactly, with nothing of the product's code.

EN 16931-1 BR-CO-10 to BR-CO-17 and the line net of BT-131, whose parts are rounded separately, half away from zero.
The official rules check these with slack (up to 1.00 of tax a group), and quantity times price not at all; here a
cent counts.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal, localcontext
from typing import Any

from iso4217 import Currency
from lxml import etree

NAMESPACES = {
    "a": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "b": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
ZERO = Decimal(0)
# UNTDID 5305 categories that bear tax; all others must state none.
TAXED = {"S"}


@dataclass(frozen=True)
class Amounts:
    """What a document states, or what follows from its parts; groups are (base, tax) by category and rate."""

    lines: Decimal
    allowances: Decimal
    charges: Decimal
    net: Decimal
    tax: Decimal
    gross: Decimal
    payable: Decimal
    groups: dict[tuple[str, Decimal], tuple[Decimal, Decimal]] = field(default_factory=dict)


def rounded(number: Decimal, decimals: int) -> Decimal:
    return number.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP)


def decimals_of(currency: str) -> int:
    """By ISO 4217, but never more than the two of EN 16931."""
    return min(2, Currency(currency).exponent or 0)


def followed(
    lines: list[tuple[str, Decimal, Decimal]],
    *,
    decimals: int = 2,
    allowances: Sequence[tuple[str, Decimal, Decimal]] = (),
    charges: Sequence[tuple[str, Decimal, Decimal]] = (),
    paid: Decimal = ZERO,
    rounding: Decimal = ZERO,
) -> Amounts:
    """What follows from lines and document-level allowances and charges, each (category, rate, amount)."""
    bases: dict[tuple[str, Decimal], Decimal] = defaultdict(Decimal)
    for sign, parts in ((1, lines), (-1, allowances), (1, charges)):
        for category, rate, amount in parts:
            bases[category, rate] += sign * amount
    groups = {
        (category, rate): (base, rounded(base * rate / 100, decimals) if category in TAXED else ZERO)
        for (category, rate), base in bases.items()
    }
    lines_sum, allowed, charged = (
        sum((part[2] for part in parts), ZERO) for parts in (lines, allowances, charges)
    )
    net = lines_sum - allowed + charged
    tax = sum((tax for _, tax in groups.values()), ZERO)
    return Amounts(lines_sum, allowed, charged, net, tax, net + tax, net + tax - paid + rounding, groups)


class Paper:
    """A UBL document, read by lxml."""

    def __init__(self, content: bytes) -> None:
        self.tree = etree.fromstring(content)
        self.currency = self.text("b:DocumentCurrencyCode")

    def text(self, path: str, at: etree._Element | None = None, default: str = "") -> str:
        found = (self.tree if at is None else at).xpath(path, namespaces=NAMESPACES)
        return found[0].text if found else default

    def number(self, path: str, at: etree._Element | None = None, default: str = "0") -> Decimal:
        return Decimal(self.text(path, at, default))

    def all(self, path: str, at: etree._Element | None = None) -> list[etree._Element]:
        return (self.tree if at is None else at).xpath(path, namespaces=NAMESPACES)

    @property
    def lines(self) -> list[etree._Element]:
        return self.all("a:InvoiceLine | a:CreditNoteLine")

    def taxed(self, at: etree._Element, path: str, amount: Decimal) -> tuple[str, Decimal, Decimal]:
        return (self.text(f"{path}/b:ID", at), self.number(f"{path}/b:Percent", at), amount)

    def line_net(self, line: etree._Element) -> Decimal:
        """BT-131 = quantity x price / base quantity, + charges - allowances, each rounded to two decimals."""
        quantity = self.number("b:InvoicedQuantity | b:CreditedQuantity", line)
        with localcontext() as context:
            context.prec = 60
            gross = quantity * self.number("a:Price/b:PriceAmount", line)
            gross /= self.number("a:Price/b:BaseQuantity", line, "1")
            net = rounded(gross, 2)
        for part in self.all("a:AllowanceCharge", line):
            sign = 1 if self.text("b:ChargeIndicator", part) == "true" else -1
            net += sign * rounded(self.number("b:Amount", part), 2)
        return net

    def stated(self) -> Amounts:
        total = "a:LegalMonetaryTotal/b:"
        return Amounts(
            lines=self.number(total + "LineExtensionAmount"),
            allowances=self.number(total + "AllowanceTotalAmount"),
            charges=self.number(total + "ChargeTotalAmount"),
            net=self.number(total + "TaxExclusiveAmount"),
            tax=self.number("a:TaxTotal/b:TaxAmount"),
            gross=self.number(total + "TaxInclusiveAmount"),
            payable=self.number(total + "PayableAmount"),
            groups={
                (self.text("a:TaxCategory/b:ID", group), self.number("a:TaxCategory/b:Percent", group)): (
                    self.number("b:TaxableAmount", group),
                    self.number("b:TaxAmount", group),
                )
                for group in self.all("a:TaxTotal/a:TaxSubtotal")
            },
        )

    def recomputed(self) -> Amounts:
        """From quantities, prices and rates alone."""
        by_sign: dict[str, list[Any]] = {"true": [], "false": []}
        for part in self.all("a:AllowanceCharge"):
            taxed = self.taxed(part, "a:TaxCategory", self.number("b:Amount", part))
            by_sign[self.text("b:ChargeIndicator", part)].append(taxed)
        return followed(
            [self.taxed(line, "a:Item/a:ClassifiedTaxCategory", self.line_net(line)) for line in self.lines],
            decimals=decimals_of(self.currency),
            allowances=by_sign["false"],
            charges=by_sign["true"],
            paid=self.number("a:LegalMonetaryTotal/b:PrepaidAmount"),
            rounding=self.number("a:LegalMonetaryTotal/b:PayableRoundingAmount"),
        )

    def wrong_lines(self) -> list[str]:
        """The ids of lines whose stated net is not what their parts give."""
        return [
            self.text("b:ID", line)
            for line in self.lines
            if self.number("b:LineExtensionAmount", line) != self.line_net(line)
        ]
