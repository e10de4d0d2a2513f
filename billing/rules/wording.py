"""What a charge is and why, in words: its clause, its price, its arithmetic, and what became of an event."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from billing.rules.dispositions import Outcome, Reason
from billing.rules.documents import amount_text, decimal_text
from billing.rules.money import rounded
from billing.rules.rating import Rule
from billing.rules.terms import Mode

_REASONS: dict[Reason, str] = {
    Reason.AGREEMENT: "the price list has no item for it, so it is part of the service agreed",
    Reason.ALREADY_INSTALLED: "the unit already hung somewhere, so this is no new installation",
    Reason.BEFORE_PRICES: "it happened before the first price began",
    Reason.CLOCK_AHEAD: "its time lies after it was received; the sender has to replace it",
    Reason.CONTRACT_ENDED: "the site's contract had ended by that day",
    Reason.COUNTER_EVENT: "it only undoes another event",
    Reason.IN_FEE: "the contract's fee covers it",
    Reason.INCLUSION: "the contract includes so many of these",
    Reason.INDEX_MISSING: "its price waits for an index figure",
    Reason.MONTH_OPEN: "its month is not closed yet",
    Reason.NO_AGREEMENT: "the site had no service agreement on that day",
    Reason.NO_PRICE: "its item had no price on that day",
    Reason.NOT_CHARGED: "the contract's terms leave it free",
    Reason.NOT_IN_SERVICE: "the unit hung nowhere then, as far as the log says",
    Reason.REPLACED: "another event replaces it",
    Reason.SAME_VISIT: "another arrival at the site on that day is billed",
    Reason.TYPE_NEVER_BILLS: "work of this kind is never billed",
    Reason.UNKNOWN_STATION: "it names a station or a site that is not there",
}
_OUTCOMES = {
    Outcome.BILLED: "Billed",
    Outcome.INCLUDED: "Included",
    Outcome.NOT_BILLABLE: "Not billable",
    Outcome.SUPERSEDED: "Superseded by a correction",
    Outcome.HELD: "Held",
}
_MODES = {
    Mode.UNIT_MONTH: "each unit in service is charged by the month",
    Mode.UNIT_SERVICE: "each service of a unit is charged",
    Mode.FLAT_SITE: "a flat fee is charged for the site, whatever is done there",
    Mode.BASE_PLUS: "a base fee is charged for the site, and each unit beyond those in it",
    Mode.PER_VISIT: "each visit is charged",
}
_CLAUSES = {
    "visit_minimum": "a visit costs at least a minimum, and this line tops it up",
    "invoice_minimum": "an invoice comes to at least a minimum, and this line tops it up",
    "missed_service": "a service that was missed and not made good in time is given back",
    "claw_back": "an installation that was waived is paid for when the site leaves early",
    "call_out": "a call-out is charged",
    "install_waived": "installations are waived",
    "not_admitted": "a visit that was not let in is charged",
    "same_visit": "several arrivals at a site on one day are one visit",
}
_RULES = {
    Rule.EVENT: "a piece of work",
    Rule.INSTALL: "an installation",
    Rule.UNIT_MONTH: "a unit's days in service",
    Rule.SITE_MONTH: "a site's fee",
    Rule.EXTRA_UNIT: "the units beyond those in the base",
    Rule.VISIT: "a visit",
    Rule.CALL_OUT: "a call-out",
    Rule.VISIT_MINIMUM: "what a visit lacks to its minimum",
    Rule.INVOICE_MINIMUM: "what an invoice lacks to its minimum",
    Rule.MISSED_SERVICE: "a missed service given back",
    Rule.CLAW_BACK: "a waived installation paid for",
}
# Rules whose amount is no product of a price: their workings say it all.
_BY_WORKINGS = frozenset({Rule.VISIT_MINIMUM, Rule.INVOICE_MINIMUM, Rule.MISSED_SERVICE, Rule.CLAW_BACK})
_IN_THE_PRODUCT = frozenset({"days", "of"})
_WORKINGS = {
    "units": "units",
    "unit_days": "unit days",
    "base_units": "units in the base",
    "extra_units": "units beyond the base",
    "planned": "services planned in the period",
    "missed": "services missed",
    "due_on": "due on",
    "fee": "fee of the period",
    "lines": "the visit's other lines",
    "minimum": "minimum",
    "months_left": "months left of the term",
    "months": "months of the term",
    "price": "price",
    "cycle_months": "months in the cycle",
}


@dataclass(frozen=True, slots=True)
class Figures:
    """What a charge's arithmetic is told from; ``amount`` is the row's.

    ``earlier``: what the rows of its key before this one came to. ``workings`` are the figures that the rule noted.
    """

    rule: Rule
    unit_price: Decimal
    currency: str
    part: Decimal
    whole: int
    starts_on: date
    ends_before: date
    amount: Decimal
    earlier: Decimal | None = None
    workings: Mapping[str, Any] = field(default_factory=dict)


def reason_words(reason: str) -> str:
    """Why an event is not billed, as half a sentence; "" for none."""
    return _REASONS.get(Reason(reason), "")


def disposition_words(outcome: str, reason: str, clause: str = "", counter: str = "") -> str:
    """What became of an event, as a sentence: "Included: the contract includes so many of these (1 of 1 ...)."."""
    why = reason_words(reason)
    place = f" ({counter})" if counter else ""
    by = f", by {clause_name(clause)}" if clause and not why else ""
    return f"{_OUTCOMES[Outcome(outcome)]}{': ' + why if why else ''}{by}{place}."


def rule_words(rule: str) -> str:
    return _RULES[Rule(rule)]


def clause_name(clause: str) -> str:
    """A clause's name for a list: "contract, flat site"."""
    return clause.replace(":", ", ").replace("_", " ").replace(".", " ")


def clause_words(clause: str, contract_number: str, agreement_number: str) -> str:
    """The clause that a charge follows, as a sentence."""
    head, _, rest = clause.partition(":")
    if head == "contract" and rest in set(Mode):
        return f"Contract {contract_number}: {_MODES[Mode(rest)]}."
    if head == "inclusion":
        work = rest.replace(".", " ").replace("_", " ")
        return f"Contract {contract_number} includes a number of {work}; this one goes beyond it."
    if head in _CLAUSES:
        return f"{f'Contract {contract_number}' if contract_number else 'The terms'}: {_CLAUSES[head]}."
    if contract_number:
        return f"Contract {contract_number}: {clause_name(clause) or 'its prices hold'}."
    under = f" Service is agreed under {agreement_number}." if agreement_number else ""
    return f"No contract covers the site on that day, so the price list holds.{under}"


def price_words(version: Mapping[str, Any], item_name: str) -> str:
    """The price version as a sentence. Its keys: amount, currency, effective_from, effective_to, scope, index."""
    until = f" until before {version['effective_to']}" if version["effective_to"] else ""
    text = f"{item_name}: {version['amount']} {version['currency']} from {version['effective_from']}{until}, {version['scope']}."
    index = version["index"]
    if index is None:
        return text
    bounds = [
        f"{name} {index[field]} %"
        for name, field in (("at most", "cap"), ("at least", "floor"))
        if index[field] is not None
    ]
    within = f", {' and '.join(bounds)}" if bounds else ""
    return (
        f"{text} It is {index['prior_amount']} x {index['code']} of {index['month']} / of {index['base_month']}"
        f"{within}, rounded once to {index['decimals']} decimals."
    )


def arithmetic(figures: Figures) -> list[str]:
    """How the amount came about, as sentences in their order; the first says the sum itself."""
    return [*_product(figures), *_noted(figures), *_difference(figures)]


def _product(figures: Figures) -> list[str]:
    price = f"{decimal_text(figures.unit_price)} {figures.currency}"
    amount = f"{amount_text(figures.amount, figures.currency)} {figures.currency}"
    if figures.rule in _BY_WORKINGS or figures.whole <= 0:
        return [f"This line is {amount}."]
    part = decimal_text(figures.part)
    exact = figures.unit_price * figures.part / figures.whole
    if rounded(exact, figures.currency) != figures.amount:
        return [f"The price is {price}; this line is {amount}."]
    if figures.whole == 1:
        return [
            f"{part} x {price} = {amount}{'' if exact == figures.amount else ', rounded half away from zero'}."
        ]
    period = f"from {figures.starts_on} until before {figures.ends_before}"
    rounding = "" if exact == figures.amount else ", rounded half away from zero"
    days = "unit days" if figures.rule is Rule.EXTRA_UNIT else "days"
    return [f"{part} of {figures.whole} {days} ({period}) x {price} = {amount}{rounding}."]


def _noted(figures: Figures) -> list[str]:
    """The rule's own figures, those it names in words first."""
    noted = figures.workings
    if "minimum" in noted and "lines" in noted:
        return [
            f"The lines come to {noted['lines']}, the minimum is {noted['minimum']}; the rest is this line."
        ]
    if "planned" in noted and "missed" in noted:
        due = f", the one due on {noted['due_on']}" if "due_on" in noted else ""
        fee = f" of the fee of {noted['fee']}" if "fee" in noted else ""
        were = "was" if str(noted["missed"]) == "1" else "were"
        return [
            f"{noted['missed']} of {noted['planned']} services planned {were} missed{due}: so much{fee} is given back."
        ]
    words = [
        f"{_WORKINGS.get(name, name.replace('_', ' '))} {value}"
        for name, value in noted.items()
        if name not in _IN_THE_PRODUCT
    ]
    return [f"Noted by the rule: {', '.join(words)}."] if words else []


def _difference(figures: Figures) -> list[str]:
    if figures.earlier is None:
        return []
    was, now = (
        amount_text(one, figures.currency) for one in (figures.earlier, figures.earlier + figures.amount)
    )
    return [
        f"Earlier closes charged {was} {figures.currency}; as known now it is {now} {figures.currency}, and this line is the difference."
    ]
