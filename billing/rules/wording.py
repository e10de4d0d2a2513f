"""What a charge is and why, in words: its clause, its price, its arithmetic, and what became of an event."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from babel.numbers import get_decimal_symbol

from accounts.languages import N_, _, cldr, manner
from billing.rules.dating import plain_day, plain_month
from billing.rules.dispositions import Outcome, Reason
from billing.rules.documents import amount_text, decimal_text
from billing.rules.money import rounded
from billing.rules.rating import Rule
from billing.rules.terms import Mode

_REASONS: dict[Reason, str] = {
    Reason.AGREEMENT: N_("the price list has no item for it, so it is part of the service agreed"),
    Reason.ALREADY_INSTALLED: N_("the unit already hung somewhere, so this is no new installation"),
    Reason.BEFORE_PRICES: N_("it happened before the first price began"),
    Reason.CLOCK_AHEAD: N_("its time lies after it was received; the sender has to replace it"),
    Reason.CONTRACT_ENDED: N_("the site's contract had ended by that day"),
    Reason.COUNTER_EVENT: N_("it only undoes another event"),
    Reason.IN_FEE: N_("the contract's fee covers it"),
    Reason.INCLUSION: N_("the contract includes so many of these"),
    Reason.INDEX_MISSING: N_("its price waits for an index figure"),
    Reason.MONTH_OPEN: N_("its month is not closed yet"),
    Reason.NO_AGREEMENT: N_("the site had no service agreement on that day"),
    Reason.NO_PRICE: N_("its item had no price on that day"),
    Reason.NOT_CHARGED: N_("the contract's terms leave it free"),
    Reason.NOT_IN_SERVICE: N_("the unit hung nowhere then, as far as the log says"),
    Reason.REPLACED: N_("another event replaces it"),
    Reason.SAME_VISIT: N_("another arrival at the site on that day is billed"),
    Reason.TYPE_NEVER_BILLS: N_("work of this kind is never billed"),
    Reason.UNKNOWN_STATION: N_("it names a station or a site that is not there"),
}
_OUTCOMES = {
    Outcome.BILLED: N_("Billed"),
    Outcome.INCLUDED: N_("Included"),
    Outcome.NOT_BILLABLE: N_("Not billable"),
    Outcome.SUPERSEDED: N_("Superseded by a correction"),
    Outcome.HELD: N_("Held"),
}
_MODES = {
    Mode.UNIT_MONTH: N_("each unit in service is charged by the month"),
    Mode.UNIT_SERVICE: N_("each service of a unit is charged"),
    Mode.FLAT_SITE: N_("a flat fee is charged for the site, whatever is done there"),
    Mode.BASE_PLUS: N_("a base fee is charged for the site, and each unit beyond those in it"),
    Mode.PER_VISIT: N_("each visit is charged"),
}
_CLAUSES = {
    "visit_minimum": N_("a visit costs at least a minimum, and this line tops it up"),
    "invoice_minimum": N_("an invoice comes to at least a minimum, and this line tops it up"),
    "missed_service": N_("a service that was missed and not made good in time is given back"),
    "claw_back": N_("an installation that was waived is paid for when the site leaves early"),
    "call_out": N_("a call-out is charged"),
    "install_waived": N_("installations are waived"),
    "not_admitted": N_("a visit that was not let in is charged"),
    "same_visit": N_("several arrivals at a site on one day are one visit"),
}
_RULES = {
    Rule.EVENT: N_("a piece of work"),
    Rule.INSTALL: N_("an installation"),
    Rule.UNIT_MONTH: N_("a unit's days in service"),
    Rule.SITE_MONTH: N_("a site's fee"),
    Rule.EXTRA_UNIT: N_("the units beyond those in the base"),
    Rule.VISIT: N_("a visit"),
    Rule.CALL_OUT: N_("a call-out"),
    Rule.VISIT_MINIMUM: N_("what a visit lacks to its minimum"),
    Rule.INVOICE_MINIMUM: N_("what an invoice lacks to its minimum"),
    Rule.MISSED_SERVICE: N_("a missed service given back"),
    Rule.CLAW_BACK: N_("a waived installation paid for"),
}
_COUNTER = re.compile(r"(\d+) of (\d+) from (\d{4}-\d\d-\d\d)")
# Clauses by name, as ``clause_name`` makes them of what is stored.
_NAMES = (
    N_("contract, unit month"),
    N_("contract, unit service"),
    N_("contract, flat site"),
    N_("contract, base plus"),
    N_("contract, per visit"),
    N_("visit minimum"),
    N_("invoice minimum"),
    N_("missed service"),
    N_("claw back"),
    N_("call out"),
    N_("install waived"),
    N_("not admitted"),
    N_("same visit"),
)
# Rules whose amount is no product of a price: their workings say it all.
_BY_WORKINGS = frozenset({Rule.VISIT_MINIMUM, Rule.INVOICE_MINIMUM, Rule.MISSED_SERVICE, Rule.CLAW_BACK})
_IN_THE_PRODUCT = frozenset({"days", "of"})
_WORKINGS = {
    "units": N_("units"),
    "unit_days": N_("unit days"),
    "base_units": N_("units in the base"),
    "extra_units": N_("units beyond the base"),
    "planned": N_("services planned in the period"),
    "missed": N_("services missed"),
    "due_on": N_("due on"),
    "fee": N_("fee of the period"),
    "lines": N_("the visit's other lines"),
    "minimum": N_("minimum"),
    "months_left": N_("months left of the term"),
    "months": N_("months of the term"),
    "price": N_("price"),
    "cycle_months": N_("months in the cycle"),
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
    return _(_REASONS.get(Reason(reason), ""))


def disposition_words(outcome: str, reason: str, clause: str = "", counter: str = "") -> str:
    """What became of an event, as a sentence: "Included: the contract includes so many of these (1 of 1 ...)."."""
    why = reason_words(reason)
    became = _(_OUTCOMES[Outcome(outcome)])
    if why:
        became = _("{became}: {why}", became=became, why=why)
    elif clause:
        became = _("{became}, by {clause}", became=became, clause=clause_name(clause))
    return f"{became} ({counter_words(counter)})." if counter else f"{became}."


def counter_words(counter: str) -> str:
    """A counter as it is stored, "1 of 2 from 2026-01-01", in the words of the moment."""
    found = _COUNTER.fullmatch(counter)
    if found is None:
        return counter
    place, of, since = found.groups()
    return _("{place} of {of} from {since}", place=place, of=of, since=plain_day(since))


def rule_words(rule: str) -> str:
    return _(_RULES[Rule(rule)])


def clause_name(clause: str) -> str:
    """A clause's name for a list: "contract, flat site"."""
    return _(clause.replace(":", ", ").replace("_", " ").replace(".", " "))


def clause_words(clause: str, contract_number: str, agreement_number: str) -> str:
    """The clause that a charge follows, as a sentence."""
    head, _colon, rest = clause.partition(":")
    if head == "inclusion":
        return _(
            "Contract {number} includes a number of {work}; this one goes beyond it.",
            number=contract_number,
            work=_(rest.replace(".", " ").replace("_", " ")),
        )
    if not contract_number:
        return (
            _("The terms: {clause}.", clause=_(_CLAUSES[head]))
            if head in _CLAUSES
            else _by_list(agreement_number)
        )
    if head == "contract" and rest in set(Mode):
        said = _(_MODES[Mode(rest)])
    else:
        said = _(_CLAUSES.get(head, "")) or clause_name(clause) or _("its prices hold")
    return _("Contract {number}: {clause}.", number=contract_number, clause=said)


def _by_list(agreement_number: str) -> str:
    said = _("No contract covers the site on that day, so the price list holds.")
    if not agreement_number:
        return said
    return f"{said} {_('Service is agreed under {number}.', number=agreement_number)}"


def price_words(version: Mapping[str, Any], item_name: str) -> str:
    """The price version as a sentence. Its keys: amount, currency, effective_from, effective_to, scope, index."""
    sentence = (
        _("{item}: {amount} {currency} from {since} until before {until}, {scope}.")
        if version["effective_to"]
        else _("{item}: {amount} {currency} from {since}, {scope}.")
    )
    text = sentence.format(
        item=item_name,
        amount=_figure(version["amount"]),
        currency=version["currency"],
        since=plain_day(version["effective_from"]),
        until=plain_day(version["effective_to"] or version["effective_from"]),
        scope=version["scope"],
    )
    return text if version["index"] is None else f"{text} {_index_words(version['index'])}"


def _index_words(index: Mapping[str, Any]) -> str:
    """How the figures of an index made a price, and between which bounds."""
    cap, floor = index["cap"] is not None, index["floor"] is not None
    sentences = {
        (False, False): _(
            "It is {prior} x {code} of {month} / of {base_month}, rounded once to {decimals} decimals."
        ),
        (True, False): _(
            "It is {prior} x {code} of {month} / of {base_month}, at most {cap} %, rounded once to {decimals} decimals."
        ),
        (False, True): _(
            "It is {prior} x {code} of {month} / of {base_month}, at least {floor} %, rounded once to {decimals} decimals."
        ),
        (True, True): _(
            "It is {prior} x {code} of {month} / of {base_month}, at most {cap} % and at least {floor} %, rounded once to {decimals} decimals."
        ),
    }
    return sentences[cap, floor].format(
        prior=_figure(index["prior_amount"]),
        code=index["code"],
        month=plain_month(date.fromisoformat(f"{index['month']}-01")),
        base_month=plain_month(date.fromisoformat(f"{index['base_month']}-01")),
        cap=_figure(index["cap"]),
        floor=_figure(index["floor"]),
        decimals=index["decimals"],
    )


def _figure(text: Any) -> str:
    """A decimal in plain digits, with the decimal sign of the moment; "None" for no amount."""
    return str(text).replace(".", get_decimal_symbol(cldr(manner().locale)))


def arithmetic(figures: Figures) -> list[str]:
    """How the amount came about, as sentences in their order; the first says the sum itself."""
    return [*_product(figures), *_noted(figures), *_difference(figures)]


def _product(figures: Figures) -> list[str]:
    price = f"{_figure(decimal_text(figures.unit_price))} {figures.currency}"
    amount = f"{_figure(amount_text(figures.amount, figures.currency))} {figures.currency}"
    if figures.rule in _BY_WORKINGS or figures.whole <= 0:
        return [_("This line is {amount}.", amount=amount)]
    part = _figure(decimal_text(figures.part))
    exact = figures.unit_price * figures.part / figures.whole
    if rounded(exact, figures.currency) != figures.amount:
        return [_("The price is {price}; this line is {amount}.", price=price, amount=amount)]
    if exact != figures.amount:
        amount = _("{amount}, rounded half away from zero", amount=amount)
    if figures.whole == 1:
        return [f"{part} x {price} = {amount}."]
    sentence = (
        _("{part} of {whole} unit days (from {start} until before {end}) x {price} = {amount}.")
        if figures.rule is Rule.EXTRA_UNIT
        else _("{part} of {whole} days (from {start} until before {end}) x {price} = {amount}.")
    )
    return [
        sentence.format(
            part=part,
            whole=figures.whole,
            start=plain_day(figures.starts_on),
            end=plain_day(figures.ends_before),
            price=price,
            amount=amount,
        )
    ]


def _noted(figures: Figures) -> list[str]:
    """The rule's own figures, those it names in words first."""
    noted = figures.workings
    if "minimum" in noted and "lines" in noted:
        lines, minimum = _figure(noted["lines"]), _figure(noted["minimum"])
        return [
            _(
                "The lines come to {lines}, the minimum is {minimum}; the rest is this line.",
                lines=lines,
                minimum=minimum,
            )
        ]
    if "planned" in noted and "missed" in noted:
        return [_missed(noted)]
    words = [
        f"{_(_WORKINGS.get(name, name.replace('_', ' ')))} {_figure(value)}"
        for name, value in noted.items()
        if name not in _IN_THE_PRODUCT
    ]
    return [_("Noted by the rule: {words}.", words=", ".join(words))] if words else []


def _missed(noted: Mapping[str, Any]) -> str:
    """How many services were missed, which, and of what fee so much is given back."""
    many = "due_on" in noted, "fee" in noted, str(noted["missed"]) == "1"
    sentence = {
        (False, False, True): _("{missed} of {planned} services planned was missed: so much is given back."),
        (False, False, False): _(
            "{missed} of {planned} services planned were missed: so much is given back."
        ),
        (False, True, True): _(
            "{missed} of {planned} services planned was missed: so much of the fee of {fee} is given back."
        ),
        (False, True, False): _(
            "{missed} of {planned} services planned were missed: so much of the fee of {fee} is given back."
        ),
        (True, False, True): _(
            "{missed} of {planned} services planned was missed, the one due on {due_on}: so much is given back."
        ),
        (True, False, False): _(
            "{missed} of {planned} services planned were missed, the one due on {due_on}: so much is given back."
        ),
        (True, True, True): _(
            "{missed} of {planned} services planned was missed, the one due on {due_on}: so much of the fee of {fee} is given back."
        ),
        (True, True, False): _(
            "{missed} of {planned} services planned were missed, the one due on {due_on}: so much of the fee of {fee} is given back."
        ),
    }[many]
    return sentence.format(
        missed=noted["missed"],
        planned=noted["planned"],
        due_on=plain_day(noted["due_on"]) if "due_on" in noted else "",
        fee=_figure(noted.get("fee", "")),
    )


def _difference(figures: Figures) -> list[str]:
    if figures.earlier is None:
        return []
    was, now = (
        _figure(amount_text(one, figures.currency))
        for one in (figures.earlier, figures.earlier + figures.amount)
    )
    return [
        _(
            "Earlier closes charged {was} {currency}; as known now it is {now} {currency}, and this line is the difference.",
            was=was,
            now=now,
            currency=figures.currency,
        )
    ]
