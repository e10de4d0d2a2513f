"""A contract's terms in words, as they stand on its page and in the choices of its form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, Protocol

from babel.numbers import get_decimal_symbol

from accounts.languages import N_, _, _n, cldr, manner
from billing.rules.documents import amount_text, decimal_text
from billing.rules.terms import CreditAs, EndRule, Mode, NotAdmitted, Proration

MODES = {
    Mode.UNIT_MONTH: N_("each unit by the month"),
    Mode.UNIT_SERVICE: N_("each service of a unit"),
    Mode.FLAT_SITE: N_("a flat fee for the site by the month"),
    Mode.BASE_PLUS: N_("a base fee for the site by the month, and each unit beyond it"),
    Mode.PER_VISIT: N_("each visit to the site"),
}
PRORATIONS = {
    Proration.BY_DAYS: N_("its share of the month's days"),
    Proration.THIRTY_360: N_("its days of 30, in every month"),
    Proration.FIRST_FREE: N_("nothing, when the month is not whole at its start"),
    Proration.FIRST_FULL: N_("the whole price, for any month begun"),
}
NOT_ADMITTED = {
    NotAdmitted.BILLABLE: N_("it is billed"),
    NotAdmitted.FREE: N_("it costs nothing"),
}
CREDITS = {
    CreditAs.LINE: N_("on the next invoice"),
    CreditAs.CREDIT_NOTE: N_("by a credit note of its own"),
}
END_RULES = {
    EndRule.PERIOD_END: N_("with the term or month in which the notice runs out"),
    EndRule.EXACT_DAY: N_("on the very day on which the notice runs out"),
}
CYCLES = {
    1: N_("every month"),
    3: N_("every three months"),
    6: N_("every six months"),
    12: N_("every year"),
}
WORK = {
    "cartridge.exchanged": N_("cartridge exchange"),
    "dose.set": N_("setting of a dose"),
    "fault.closed": N_("repair"),
    "leak.stopped": N_("stopping of a leak"),
    "level.read": N_("reading of a level"),
    "outlet.cleared": N_("clearing of an outlet"),
    "reservoir.cleaned": N_("cleaning of a reservoir"),
    "unit.installed": N_("installation"),
    "unit.moved": N_("move of a unit"),
    "unit.opened": N_("opening state of a unit"),
    "unit.withdrawn": N_("withdrawal of a unit"),
    "visit.made": N_("visit"),
    "visit.not_admitted": N_("visit not admitted"),
    "wick.changed": N_("wick change"),
    "wick.checked": N_("check of a wick"),
    "wick.washed": N_("wash of a wick"),
}
BASES = {
    "unit_month": N_("a unit's month"),
    "event": N_("a piece of work"),
    "install": N_("an installation"),
    "site_month": N_("a site's month"),
    "extra_unit": N_("a unit beyond the base, by the month"),
    "visit": N_("a visit"),
    "call_out": N_("a call-out"),
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
    return _(WORK.get(event_type, event_type.replace(".", " ").replace("_", " ")))


def terms_in_words(terms: Agreed, currency: str) -> list[str]:
    """What the terms say, a sentence each."""
    return [*_billing(terms), *_least(terms, currency), *_work(terms), *_giving_back(terms)]


def _billing(terms: Agreed) -> Iterator[str]:
    sentence = (
        _("Billed is {mode}, {cycle} in advance.")
        if terms.in_advance
        else _("Billed is {mode}, {cycle} afterwards.")
    )
    yield sentence.format(mode=_(MODES[Mode(terms.mode)]), cycle=_(CYCLES[terms.cycle_months]))
    if Mode(terms.mode) is Mode.BASE_PLUS:
        yield _n("The base fee covers {count} unit.", "The base fee covers {count} units.", terms.base_units)
    if Mode(terms.mode) not in {Mode.UNIT_SERVICE, Mode.PER_VISIT}:
        yield _("A part of a month costs {share}.", share=_(PRORATIONS[Proration(terms.proration)]))


def _least(terms: Agreed, currency: str) -> Iterator[str]:
    if terms.visit_minimum:
        yield _(
            "A day's visits to a site cost at least {amount}.", amount=_money(terms.visit_minimum, currency)
        )
    if terms.invoice_minimum:
        yield _(
            "An invoice comes to at least {amount} before tax.",
            amount=_money(terms.invoice_minimum, currency),
        )


def _work(terms: Agreed) -> Iterator[str]:
    for one in terms.inclusions:
        kind, many, per, every = _inclusion(one)
        yield _in_the_fee(_pieces(many, kind), per, every)
    if terms.install_waived:
        yield (
            _n(
                "Installation is free; a site that leaves within {count} month pays for the rest of them.",
                "Installation is free; a site that leaves within {count} months pays for the rest of them.",
                terms.claw_back_months,
            )
            if terms.claw_back_months
            else _("Installation is free.")
        )
    yield _("When a crew is not let in, {what}.", what=_(NOT_ADMITTED[NotAdmitted(terms.not_admitted)]))


def _giving_back(terms: Agreed) -> Iterator[str]:
    if terms.credits_missed:
        yield _n(
            "A service missed by our fault is credited, unless it is made good within {count} day of its due day.",
            "A service missed by our fault is credited, unless it is made good within {count} days of its due day.",
            terms.make_good_days,
        )
    else:
        yield _("A missed service gives no credit.")
    yield _("What is given back comes {how}.", how=_(CREDITS[CreditAs(terms.credit_as)]))


def _pieces(many: int, kind: str) -> str:
    """So many pieces of work of a kind: "1 wick change", "2 wick changes"."""
    return _n("{count} {work}", "{count} {work}s", many, work=work(kind))


def _in_the_fee(what: str, per: str, every: str) -> str:
    sentences = {
        ("unit", "year"): _("In the fee: {what} a unit and contract year."),
        ("unit", "month"): _("In the fee: {what} a unit and month."),
        ("site", "year"): _("In the fee: {what} a site and contract year."),
        ("site", "month"): _("In the fee: {what} a site and month."),
    }
    return sentences[per, every].format(what=what)


def _inclusion(one: Any) -> tuple[str, int, str, str]:
    if isinstance(one, Mapping):
        return str(one["event_type"]), int(one["count"]), str(one["per"]), str(one["every"])
    return one.event_type, one.count, one.per, one.every


def _money(value: Decimal, currency: str) -> str:
    shown = amount_text(value, currency)
    return f"{_figure(shown if Decimal(shown) == value else decimal_text(value))} {currency}"


def _figure(text: str) -> str:
    """A decimal in plain digits, with the decimal sign of the moment."""
    return text.replace(".", get_decimal_symbol(cldr(manner().locale)))


def term_in_words(contract: Runs) -> list[str]:
    """How long a contract runs, how it goes on, and how it is given notice of."""
    said = []
    if not contract.term_months:
        said.append(_("It runs until notice."))
    else:
        months, more = contract.term_months, contract.renewal_months
        said.append(_n("Its first term is {count} month.", "Its first term is {count} months.", months))
        if more:
            said.append(
                _n(
                    "Without notice it goes on for {count} month at a time.",
                    "Without notice it goes on for {count} months at a time.",
                    more,
                )
            )
        else:
            said.append(_("It ends with its term."))
    notice = (
        _n("Notice takes {count} day", "Notice takes {count} days", contract.notice_days)
        if contract.notice_days
        else _("Notice takes no time")
    )
    return [*said, _("{notice}; it then ends {how}.", notice=notice, how=_how_it_ends(contract))]


def _how_it_ends(contract: Runs) -> str:
    if EndRule(contract.end_rule) is not EndRule.PERIOD_END:
        return _("on the very day on which the notice runs out")
    if contract.term_months:
        return _("with the term in which the notice runs out")
    return _("with the month in which the notice runs out")
