"""Sites under contracts as plain values, and what they are charged, for tables of cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from billing.rules.inputs import Contract, ContractSite, DueDay, Inputs, Item, Version
from billing.rules.places import Happening
from billing.rules.rating import Rated, Work, rate
from billing.rules.terms import EndRule, Mode, NotAdmitted, Terms
from tests.billing.plain import HARBOUR, MILL, OCTOBER, SEPTEMBER, event, inputs, site, uid

CONTRACT = uid("contract K-1")


def terms(mode: str, **more: Any) -> Terms:
    values = {"effective_from": date(2026, 1, 1), "mode": Mode(mode), **more}
    if "not_admitted" in values:
        values["not_admitted"] = NotAdmitted(values["not_admitted"])
    if values.get("visit_minimum") is not None:
        values["visit_minimum"] = Decimal(values["visit_minimum"])
    return Terms(**values)


def under_contract(
    *items: Item,
    by: Terms | tuple[Terms, ...],
    since: date = date(2026, 1, 1),
    until: date | None = None,
    site_until: date | None = None,
    due: tuple[DueDay, ...] = (),
    **of_site: Any,
) -> Inputs:
    """The harbour under contract K-1; the mill is billed by the list."""
    given = inputs(
        *items, sites=(site(HARBOUR, "HARBOUR", since=date(2026, 1, 1), **of_site), site(MILL, "MILL"))
    )
    sites = {**given.sites, HARBOUR: replace(given.sites[HARBOUR], due_days=due)}
    contract = Contract(
        CONTRACT,
        "K-1",
        given.sites[HARBOUR].customer_id,
        None,
        since,
        until,
        12,
        12,
        90,
        EndRule.PERIOD_END,
        by if isinstance(by, tuple) else (by,),
    )
    covers = (ContractSite(CONTRACT, HARBOUR, since, site_until),)
    return replace(given, sites=sites, contracts={CONTRACT: contract}, contract_sites=covers)


def own(code: str, amount: str | None, *, since: date = SEPTEMBER, at: UUID | None = None) -> Version:
    """A price of contract K-1, for one of its sites or for all."""
    figure = Decimal(amount) if amount is not None else None
    return Version(uid(f"{code} {amount} {since} {at}"), figure, "EUR", since, None, CONTRACT, at)


def rated(given: Inputs, *happenings: Happening, first: date = SEPTEMBER, open_from: date = OCTOBER) -> Rated:
    """Everything that these events, of any subject, come to at the harbour and the mill."""
    work = Work(sites={HARBOUR, MILL})
    for happening in happenings:
        is_unit = not happening.type.startswith(("visit.", "report.", "standstill."))
        group = work.units if is_unit else work.others
        group.setdefault(happening.subject_id, []).append(happening)
    return rate(given, work, first_month=first, open_from=open_from)


def charged(result: Rated) -> list[tuple[str, str, str]]:
    """Rule, service date and amount of each charge, in order of date and rule."""
    return sorted(
        ((str(c.rule), str(c.service_on), str(c.amount)) for c in result.charges), key=lambda c: (c[1], c[0])
    )


def fates(result: Rated) -> dict[str, tuple[str, str]]:
    """Outcome and reason by the event's id."""
    return {str(d.event_id): (str(d.outcome), str(d.reason)) for d in result.dispositions}


def fate(result: Rated, name: str) -> tuple[str, str]:
    return fates(result)[str(uid(name))]


def visit(name: str, when: Any, kind: str = "visit.made", **more: Any) -> Happening:
    return event(name, kind, when, subject_id=uid(name), site_id=HARBOUR, **more)
