"""What the operator agreed with its network, and each month's royalty statement."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal

import accounts.queries
from accounts import clock, phrases, tenancy
from accounts.errors import BadInput, Conflict, Problem
from accounts.languages import N_, _
from accounts.permissions import Actor, Permission, require
from billing.commands import booking
from billing.commands.numbering import locked_series
from billing.models import RoyaltyStatement, RoyaltyTerms
from billing.queries import royalty
from billing.queries.wording import in_operators_words
from billing.rules.dating import day_text
from billing.rules.documents import digest
from billing.rules.money import MINOR_UNITS, rounded
from billing.rules.months import month_after
from billing.rules.royalty import (
    HUNDRED,
    Basis,
    Heading,
    LeftOut,
    Terms,
    Tier,
    reckoned,
    statement,
    tier_problems,
    tiers_stored,
)

MOST_NAME = 200
MOST_DECIMALS = 4


def set_royalty_terms(
    *,
    actor: Actor,
    effective_from: date,
    network_name: str,
    basis: Basis,
    tiers: Sequence[Tier],
    minimum: Decimal = Decimal(0),
    fund_percent: Decimal = Decimal(0),
    currency: str = "",
) -> RoyaltyTerms:
    """Agree terms from the first day of a month on; terms set for that month before give way to these.

    ``currency`` "": the operator's own. BadInput for what terms can't be, Conflict for a month that is stated already or
    another currency than that of the statements so far.
    """
    require(actor, Permission.ROYALTY_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        currency = currency or accounts.queries.get_operator().currency
        terms = Terms(
            effective_from, network_name.strip(), basis, tuple(tiers), minimum, fund_percent, currency
        )
        _refuse_bad_terms(terms)
        _refuse_stated(terms)
        values = {
            "network_name": terms.network_name,
            "basis": terms.basis,
            "tiers": tiers_stored(terms.tiers),
            "minimum": minimum,
            "fund_percent": fund_percent,
            "currency": currency,
        }
        row, _ = RoyaltyTerms.objects.update_or_create(effective_from=effective_from, defaults=values)
        return row


def _refuse_bad_terms(terms: Terms) -> None:
    problems = []
    if terms.effective_from.day != 1:
        problems.append(Problem("/effective_from", "month", _("Terms begin on the first day of a month.")))
    if not 0 < len(terms.network_name) <= MOST_NAME:
        problems.append(
            Problem(
                "/network_name",
                "name",
                _("Name the network in 1 to {most_name} letters.", most_name=MOST_NAME),
            )
        )
    if terms.currency not in MINOR_UNITS:
        problems.append(
            Problem("/currency", "currency", _("A currency is three capital letters of ISO 4217."))
        )
    elif terms.minimum < 0 or rounded(terms.minimum, terms.currency) != terms.minimum:
        problems.append(
            Problem(
                "/minimum",
                "amount",
                _("The minimum is an amount in {currency}, 0 or more.", currency=terms.currency),
            )
        )
    if not 0 <= terms.fund_percent <= HUNDRED or _too_fine(terms.fund_percent):
        problems.append(Problem("/fund_percent", "percent", _(_PERCENT, most_decimals=MOST_DECIMALS)))
    for place, code, detail in tier_problems(terms.tiers, terms.fund_percent):
        problems.append(Problem("/tiers" if place is None else f"/tiers/{place}/{code}", code, detail))
    for place, tier in enumerate(terms.tiers):
        if _too_fine(tier.percent) or (tier.upto is not None and _too_fine(tier.upto)):
            problems.append(
                Problem(
                    f"/tiers/{place}",
                    "decimals",
                    _("Give a tier with at most {most_decimals} decimals.", most_decimals=MOST_DECIMALS),
                )
            )
    if problems:
        raise BadInput(_("These can't be a network's terms. Nothing was changed."), errors=problems)


_PERCENT = N_("The fund's percentage lies between 0 and 100, with at most {most_decimals} decimals.")


def _too_fine(number: Decimal) -> bool:
    return number != round(number, MOST_DECIMALS)


def _refuse_stated(terms: Terms) -> None:
    last = royalty.last_statement()
    if last is None:
        return
    if terms.effective_from <= last.month:
        raise Conflict(
            _(
                "{month} is stated already, so terms can begin on {day} at the earliest. Nothing was changed.",
                month=phrases.month(last.month),
                day=day_text(month_after(last.month)),
            )
        )
    if terms.currency != last.currency:
        raise Conflict(
            _(
                "The statements so far are in {currency}, and what they carry on is too; terms in {other} can't follow them. Nothing was changed.",
                currency=last.currency,
                other=terms.currency,
            )
        )


def state_month(*, actor: Actor, month: date) -> RoyaltyStatement:
    """State a month's royalty to the network: freeze it, chain it to the statement before, and book it.

    ``month`` is its first day. BadInput before its end in the operator's zone or without terms, Conflict when it is
    stated already or is not the month after the last one stated.
    """
    require(actor, Permission.ROYALTY_MANAGE)
    with tenancy.writing(actor):
        # Documents are issued under the same lock: none of this month is still on its way.
        locked_series()
        operator = accounts.queries.get_operator()
        today = clock.today(operator.zone)
        terms = _terms_of(month, today)
        previous = royalty.last_statement()
        _refuse_out_of_order(month, previous)
        rows = royalty.rows_of(month, terms, previous)
        base = sum((row.amount for row in rows), Decimal(0))
        figures = reckoned(base, previous.carried_out if previous else Decimal(0), terms)
        heading = Heading(month, today, operator.legal_name, previous.document_sha256 if previous else "")
        left_out = LeftOut(
            royalty.brought_forward(month, terms.currency), royalty.other_currencies(month, terms.currency)
        )
        with in_operators_words():
            document = statement(heading, terms, figures, rows, left_out)
        made = RoyaltyStatement.objects.create(
            terms=royalty.terms_in(month),
            month=month,
            issued_on=today,
            currency=terms.currency,
            base=figures.base,
            carried_in=figures.carried_in,
            carried_out=figures.carried_out,
            royalty=figures.royalty,
            fund=figures.fund,
            document=document,
            document_sha256=digest(document),
            previous_sha256=heading.previous_sha256,
        )
        with in_operators_words():
            booking.book_royalty(made)
        return made


def _terms_of(month: date, today: date) -> Terms:
    if month.day != 1:
        raise BadInput(_("Name the month by its first day, such as 2026-06-01. Nothing was stated."))
    if today < month_after(month):
        raise BadInput(
            _(
                "{month} ends on {day}; it can be stated from that day on. Nothing was stated.",
                month=phrases.month(month),
                day=day_text(month_after(month)),
            )
        )
    row = royalty.terms_in(month)
    if row is None:
        raise BadInput(
            _(
                "No terms with the network are in force in {month}. Set them first. Nothing was stated.",
                month=phrases.month(month),
            )
        )
    return royalty.as_terms(row)


def _refuse_out_of_order(month: date, previous: RoyaltyStatement | None) -> None:
    if previous is None:
        return
    if month <= previous.month:
        raise Conflict(
            _(
                "The months until {month} are stated already, and a statement never changes. What came to light later goes into the next one.",
                month=phrases.month(previous.month),
            )
        )
    if month != month_after(previous.month):
        raise Conflict(
            _(
                "{month} comes next, since each statement carries on the one before. State it first.",
                month=phrases.month(month_after(previous.month)),
            )
        )
