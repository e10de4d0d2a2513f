"""What tax a line bears, and the tax of a document by group.

VAT and GST are taken on the sum of a (category, rate, jurisdiction) group of a document and rounded once, half away from
zero (EN 16931, BR-CO-17). Sales tax is carried to the third decimal and rounds up when that is greater than four, on the
invoice or item by item as the seller elected (Streamlined Sales and Use Tax Agreement, section 324): the same rounding,
since a half of the last place kept is reached exactly where the third decimal reaches five.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal, localcontext

from accounts.languages import N_, _
from billing.rules.dating import plain_day
from billing.rules.inputs import Inputs, covers
from billing.rules.invoicing import Line
from billing.rules.money import rounded_to
from billing.rules.parties import Entity, Profile
from billing.rules.rating import Charge, Rule

# Work done on a day; every other charge is for a stretch of days and is supplied when the last of them is over.
ON_A_DAY = frozenset(
    {
        Rule.EVENT,
        Rule.INSTALL,
        Rule.VISIT,
        Rule.CALL_OUT,
        Rule.VISIT_MINIMUM,
        Rule.MISSED_SERVICE,
        Rule.CLAW_BACK,
    }
)
# EN 16931 (BT-118) code and default exemption reason (BT-120) of each treatment of a buyer that is not taxed as usual.
TREATMENTS = {
    "reverse_charge": ("AE", N_("Reverse charge: the customer accounts for the tax.")),
    "intra_community": ("K", N_("Intra-Community supply, exempt from tax.")),
    "export": ("G", N_("Export outside the tax territory, free of tax.")),
    "exempt": ("E", N_("Exempt from tax.")),
    "outside": ("O", N_("Outside the scope of tax.")),
}
# Only a buyer whose VAT number is on the document can be invoiced so (BR-AE-02, BR-IC-02).
NEEDS_VAT_ID = frozenset({"reverse_charge", "intra_community"})
# These need a reason on the document (BR-E-10, BR-AE-10, BR-IC-10, BR-G-10, BR-O-10).
_WITH_REASON = dict(TREATMENTS.values())


@dataclass(frozen=True, slots=True)
class Taxed:
    """What a line is taxed as; ``rate`` in percent, 0 for all that is not taxed."""

    tax_class: str
    category: str
    rate: Decimal
    jurisdiction: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class TaxGroup:
    """The lines of a document that are taxed alike: their sum and its tax."""

    category: str
    rate: Decimal
    jurisdiction: str
    name: str
    reason: str
    base: Decimal
    tax: Decimal

    @property
    def key(self) -> tuple[str, Decimal, str]:
        return (self.category, self.rate, self.jurisdiction)


class NoRate(LookupError):
    """No rate is known for a class of supplies in a jurisdiction on a day."""

    def __init__(self, jurisdiction: str, tax_class: str, day: date) -> None:
        super().__init__(
            _(
                "There is no {tax_class} tax rate in {jurisdiction} on {day}.",
                tax_class=tax_class,
                jurisdiction=jurisdiction or _("no jurisdiction"),
                day=plain_day(day),
            )
        )
        self.jurisdiction, self.tax_class, self.day = jurisdiction, tax_class, day


def tax_point(charge: Charge) -> date:
    """The day whose rate holds: the day of the work, or the last day of what is charged by the month.

    A late line or a credit has the rate of its own days, whenever it is invoiced.
    """
    return charge.service_on if charge.rule in ON_A_DAY else charge.ends_before - timedelta(days=1)


def taxed(line: Line, inputs: Inputs) -> Taxed | None:
    """What a line is taxed as; None where its seller takes no tax. Raises NoRate.

    Who pays decides the treatment. The jurisdiction is that of the site, else of who pays, else of the seller.
    """
    charge = line.charge
    entity = inputs.entity_of(charge.contract_id)
    if entity.regime == "none":
        return None
    profile = inputs.profile_of(inputs.payer_of(charge.customer_id))
    where = _jurisdiction(charge, entity, profile, inputs)
    if profile.tax_treatment != "standard":
        category, reason = TREATMENTS[profile.tax_treatment]
        return Taxed(charge.tax_class, category, Decimal(0), where, "", profile.exemption_reason or _(reason))
    day = tax_point(charge)
    for rate in inputs.rates:
        if (rate.jurisdiction, rate.tax_class) == (where, charge.tax_class) and covers(
            rate.effective_from, rate.effective_to, day
        ):
            reason = rate.exemption_reason or _(_WITH_REASON.get(rate.category, ""))
            return Taxed(charge.tax_class, rate.category, _plain(rate.rate), where, rate.name, reason)
    raise NoRate(where, charge.tax_class, day)


def tax_of(amount: Decimal, rate: Decimal, step: Decimal) -> Decimal:
    """``rate`` percent of an amount, rounded once half away from zero to a multiple of ``step``."""
    with localcontext() as context:
        context.prec = 50
        return rounded_to(amount * rate / 100, step)


def tax_groups(
    lines: Iterable[tuple[Decimal, Taxed | None]], *, step: Decimal, basis: str = "invoice"
) -> list[TaxGroup]:
    """One group per (category, rate, jurisdiction), in that order, of the amounts and their tax.

    ``basis`` invoice rounds the tax of the group, item that of each line. Lines without tax are in no group.
    """
    found: dict[tuple[str, Decimal, str], list[tuple[Decimal, Taxed]]] = {}
    for amount, tax in lines:
        if tax is not None:
            found.setdefault((tax.category, tax.rate, tax.jurisdiction), []).append((amount, tax))
    groups = []
    for (category, rate, jurisdiction), members in sorted(found.items()):
        base = sum((amount for amount, _ in members), Decimal(0))
        by_line = sum((tax_of(amount, rate, step) for amount, _ in members), Decimal(0))
        name = min(tax.name for _, tax in members)
        reason = min(tax.reason for _, tax in members)
        total = by_line if basis == "item" else tax_of(base, rate, step)
        groups.append(TaxGroup(category, rate, jurisdiction, name, reason, base, total))
    return groups


def _jurisdiction(charge: Charge, entity: Entity, profile: Profile, inputs: Inputs) -> str:
    site = inputs.site_taxes.get(charge.site_id) if charge.site_id else None
    return (
        (site.tax_jurisdiction if site else "")
        or profile.tax_jurisdiction
        or entity.tax_jurisdiction
        or entity.country
    )


def _plain(rate: Decimal) -> Decimal:
    """A rate without trailing zeros, so that 19 and 19.0000 are one group."""
    return rate.normalize() + 0 if rate else Decimal(0)
