"""A contract's terms in words, as they stand on its page and in the choices of its form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, Protocol

from accounts.phrases import count
from billing.rules.documents import amount_text, decimal_text
from billing.rules.terms import CreditAs, EndRule, Mode, NotAdmitted, Proration

MODES = {
    Mode.UNIT_MONTH: "each unit by the month",
    Mode.UNIT_SERVICE: "each service of a unit",
    Mode.FLAT_SITE: "a flat fee for the site by the month",
    Mode.BASE_PLUS: "a base fee for the site by the month, and each unit beyond it",
    Mode.PER_VISIT: "each visit to the site",
}
PRORATIONS = {
    Proration.BY_DAYS: "its share of the month's days",
    Proration.THIRTY_360: "its days of 30, in every month",
    Proration.FIRST_FREE: "nothing, when the month is not whole at its start",
    Proration.FIRST_FULL: "the whole price, for any month begun",
}
NOT_ADMITTED = {
    NotAdmitted.BILLABLE: "it is billed",
    NotAdmitted.FREE: "it costs nothing",
}
CREDITS = {
    CreditAs.LINE: "on the next invoice",
    CreditAs.CREDIT_NOTE: "by a credit note of its own",
}
END_RULES = {
    EndRule.PERIOD_END: "with the term or month in which the notice runs out",
    EndRule.EXACT_DAY: "on the very day on which the notice runs out",
}
CYCLES = {1: "every month", 3: "every three months", 6: "every six months", 12: "every year"}
WORK = {
    "cartridge.exchanged": "cartridge exchange",
    "dose.set": "setting of a dose",
    "fault.closed": "repair",
    "leak.stopped": "stopping of a leak",
    "level.read": "reading of a level",
    "outlet.cleared": "clearing of an outlet",
    "reservoir.cleaned": "cleaning of a reservoir",
    "unit.installed": "installation",
    "unit.moved": "move of a unit",
    "unit.withdrawn": "withdrawal of a unit",
    "visit.made": "visit",
    "visit.not_admitted": "visit not admitted",
    "wick.changed": "wick change",
    "wick.checked": "check of a wick",
    "wick.washed": "wash of a wick",
}
BASES = {
    "unit_month": "a unit's month",
    "event": "a piece of work",
    "install": "an installation",
    "site_month": "a site's month",
    "extra_unit": "a unit beyond the base, by the month",
    "visit": "a visit",
    "call_out": "a call-out",
}


class Agreed(Protocol):
    """The columns of terms, whichever object has them."""

    mode: Any
    cycle_months: int
    in_advance: bool
    proration: Any
    base_units: int
    visit_minimum: Decimal | None
    invoice_minimum: Decimal | None
    inclusions: Any
    install_waived: bool
    claw_back_months: int
    not_admitted: Any
    credits_missed: bool
    make_good_days: int
    credit_as: Any


class Runs(Protocol):
    """The columns of a contract's duration."""

    term_months: int
    renewal_months: int
    notice_days: int
    end_rule: Any


def work(event_type: str) -> str:
    return WORK.get(event_type, event_type.replace(".", " ").replace("_", " "))


def terms_in_words(terms: Agreed, currency: str) -> list[str]:
    """What the terms say, a sentence each."""
    return [*_billing(terms), *_least(terms, currency), *_work(terms), *_giving_back(terms)]


def _billing(terms: Agreed) -> Iterator[str]:
    when = "in advance" if terms.in_advance else "afterwards"
    yield f"Billed is {MODES[Mode(terms.mode)]}, {CYCLES[terms.cycle_months]} {when}."
    if Mode(terms.mode) is Mode.BASE_PLUS:
        yield f"The base fee covers {count(terms.base_units, 'unit')}."
    if Mode(terms.mode) not in {Mode.UNIT_SERVICE, Mode.PER_VISIT}:
        yield f"A part of a month costs {PRORATIONS[Proration(terms.proration)]}."


def _least(terms: Agreed, currency: str) -> Iterator[str]:
    if terms.visit_minimum:
        yield f"A day's visits to a site cost at least {_money(terms.visit_minimum, currency)}."
    if terms.invoice_minimum:
        yield f"An invoice comes to at least {_money(terms.invoice_minimum, currency)} before tax."


def _work(terms: Agreed) -> Iterator[str]:
    for one in terms.inclusions:
        kind, many, per, every = _inclusion(one)
        yield f"In the fee: {count(many, work(kind))} a {per} and {every_word(every)}."
    if terms.install_waived:
        later = (
            f"; a site that leaves within {count(terms.claw_back_months, 'month')} pays for the rest of them"
            if terms.claw_back_months
            else ""
        )
        yield f"Installation is free{later}."
    yield f"When a crew is not let in, {NOT_ADMITTED[NotAdmitted(terms.not_admitted)]}."


def _giving_back(terms: Agreed) -> Iterator[str]:
    if terms.credits_missed:
        yield (
            "A service missed by our fault is credited, unless it is made good within "
            f"{count(terms.make_good_days, 'day')} of its due day."
        )
    else:
        yield "A missed service gives no credit."
    yield f"What is given back comes {CREDITS[CreditAs(terms.credit_as)]}."


def every_word(every: str) -> str:
    return "contract year" if every == "year" else every


def _inclusion(one: Any) -> tuple[str, int, str, str]:
    if isinstance(one, Mapping):
        return str(one["event_type"]), int(one["count"]), str(one["per"]), str(one["every"])
    return one.event_type, one.count, one.per, one.every


def _money(value: Decimal, currency: str) -> str:
    shown = amount_text(value, currency)
    return f"{shown if Decimal(shown) == value else decimal_text(value)} {currency}"


def term_in_words(contract: Runs) -> list[str]:
    """How long a contract runs, how it goes on, and how it is given notice of."""
    said = []
    if not contract.term_months:
        said.append("It runs until notice.")
    else:
        said.append(f"Its first term is {count(contract.term_months, 'month')}.")
        if contract.renewal_months:
            said.append(f"Without notice it goes on for {count(contract.renewal_months, 'month')} at a time.")
        else:
            said.append("It ends with its term.")
    notice = (
        f"Notice takes {count(contract.notice_days, 'day')}"
        if contract.notice_days
        else "Notice takes no time"
    )
    ends = "on the very day on which the notice runs out"
    if EndRule(contract.end_rule) is EndRule.PERIOD_END:
        period = "term" if contract.term_months else "month"
        ends = f"with the {period} in which the notice runs out"
    return [*said, f"{notice}; it then ends {ends}."]
