"""Contracts: which there are, and each with its sites, terms, prices, renewals and notice."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.models import Contract, ContractTerms
from billing.queries import contract_lists, contracts, parties
from billing.rules.terms import Mode
from billing.rules.terms_words import MODES, term_in_words, terms_in_words

PAGE_SIZE = 50
AHEAD_DAYS = 90
DONE = {
    "made": N_("The contract is made."),
    "terms": N_("The terms are set."),
    "site": N_("The site has joined."),
    "end": N_("The site's end is set."),
    "withdrawn": N_("The notice is taken back: the contract goes on."),
    "notice": N_("The notice is recorded; below stands when the contract ends."),
}


@operator_page(Permission.INVOICES_READ)
def contract_list(request: OperatorRequest) -> HttpResponse:
    """Every contract, those first whose term or time for notice runs out soon."""
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        found = contracts.contracts()
        pages = Paginator(found, PAGE_SIZE)
        part = pages.get_page(request.GET.get("page"))
        ids = [one.id for one in part.object_list]
        sites, modes = contract_lists.site_counts(ids, today), contract_lists.modes_on(ids, today)
        rows = [_row(one, sites, modes, today) for one in part.object_list]
        ahead = contracts.renewals_ahead(today, AHEAD_DAYS)
        customers = list(accounts.customers()[:300]) if request.actor.may(Permission.CONTRACTS_MANAGE) else []
    page = {
        "rows": rows,
        "part": part,
        "total": pages.count,
        "ahead": ahead,
        "ahead_days": AHEAD_DAYS,
        "today": today,
        "customers": customers,
        "may_manage": request.actor.may(Permission.CONTRACTS_MANAGE),
    }
    return render(request, "billing/contracts.html", page)


def _row(one: Contract, sites: dict[UUID, int], modes: dict[UUID, str], today: date) -> dict[str, Any]:
    term = contracts.running_term(one, today)
    renews = one.ends_before is None and one.renewal_months > 0
    return {
        "contract": one,
        "sites": sites.get(one.id, 0),
        "mode": _(MODES[Mode(modes[one.id])]) if one.id in modes else _("no terms yet"),
        "term": term,
        "notice_by": contracts.duration_of(one).notice_by(term) if term and renews else None,
    }


@operator_page(Permission.INVOICES_READ)
def contract(request: OperatorRequest, number: str) -> HttpResponse:
    return show_contract(request, number)


def show_contract(request: OperatorRequest, number: str, *, status: int = 200, **filled: Any) -> HttpResponse:
    """A contract's page, with what was typed into one of its forms when that was refused."""
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        found = contracts.get_contract(number)
        terms = list(contracts.terms_rows(found.id))
        sites = list(contracts.sites_of(found.id))
        renewals = list(contracts.renewals_of(found.id))
        running = contracts.running_term(found, today)
        priced = list(contract_lists.prices_of(found.id))
        issuer = found.legal_entity or parties.default_entity()
    currency = issuer.currency
    duration = contracts.duration_of(found)
    page = {
        "contract": found,
        "issuer": issuer,
        "lead": _lead(found, sites, today),
        "running": running,
        "notice_by": duration.notice_by(running) if running and found.ends_before is None else None,
        "term": term_in_words(found),
        "terms": [(row, terms_in_words(row, currency)) for row in terms],
        "in_force": in_force(terms, today),
        "sites": sites,
        "renewals": renewals,
        "prices": priced,
        "today": today,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        "may_manage": request.actor.may(Permission.CONTRACTS_MANAGE),
        "may_price": request.actor.may(Permission.PRICES_MANAGE),
        **filled,
    }
    return render(request, "billing/contract.html", page, status=status)


def in_force(terms: list[ContractTerms], today: date) -> ContractTerms | None:
    return max(
        (row for row in terms if row.effective_from <= today),
        key=lambda row: row.effective_from,
        default=None,
    )


def _lead(found: Contract, sites: list[Any], today: date) -> dict[str, Any]:
    """What the page's first sentence is made of."""
    now = [
        row for row in sites if row.starts_on <= today and (not row.ends_before or today < row.ends_before)
    ]
    return {
        "sites": len({row.site_id for row in now}),
        "is_over": found.ends_before is not None and found.ends_before <= today,
        "is_ahead": found.starts_on > today,
    }
