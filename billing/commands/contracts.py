"""Contracts: made, given their sites and terms, renewed and ended."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django.db import IntegrityError

import accounts.queries
from accounts import clock, tenancy
from accounts.commands.customers import FIRST_YEAR, LAST_YEAR
from accounts.commands.masterdata import ADDRESS_CODE, ADDRESS_CODE_MEANING
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.numbering import locked_series, refuse_closed_month
from billing.commands.rows import end_problems, refuse_absent, refuse_bad_row
from billing.commands.terms import NewTerms, terms_row
from billing.models import Contract, ContractRenewal, ContractSite, ContractTerms
from billing.queries import contracts, parties
from billing.rules import contract_words as words
from billing.rules.dating import day_text
from billing.rules.inputs import covers

YEARS = {"first_year": FIRST_YEAR, "last_year": LAST_YEAR}
CONTRACT_RANGES = {"term_months": (0, 600), "renewal_months": (0, 600), "notice_days": (0, 3_650)}


@dataclasses.dataclass(frozen=True, slots=True)
class NewContractSite:
    """A site that a contract covers on [starts_on, ends_before); ``starts_on`` None: from the contract's first day."""

    site_id: UUID
    starts_on: date | None = None
    ends_before: date | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class NewContract:
    """A contract with its sites and its first terms.

    ``term_months`` 0: it runs until notice, and then ``renewal_months`` is 0 too. ``renewal_months`` 0 with a term: it ends
    with it. ``ends_before``: an end agreed from the start. ``legal_entity``: the code of who issues; empty is the default.
    """

    number: str
    customer_id: UUID
    starts_on: date
    ends_before: date | None = None
    term_months: int = 12
    renewal_months: int = 12
    notice_days: int = 90
    end_rule: str = "period_end"
    legal_entity: str = ""
    sites: Sequence[NewContractSite] = ()
    terms: NewTerms = dataclasses.field(default_factory=NewTerms)
    id: UUID | None = None


def add_contract(*, actor: Actor, new: NewContract) -> Contract:
    """Make a contract with its sites and first terms, all or nothing.

    It may have begun in a closed month, its sites' days may not. BadInput for what can't be so, NotFound for a customer,
    site or legal entity that is not here, Conflict for a number in use or a site that another contract covers.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    row = _contract_row(actor, new)
    terms = terms_row(row, new.terms, pointer="/terms")
    if terms.effective_from != row.starts_on:
        raise _bad(
            "/terms/effective_from", "first-day", _("The first terms hold from the contract's first day on.")
        )
    try:
        with tenancy.writing(actor):
            locked_series()
            row.legal_entity = _legal_entity(new.legal_entity)
            refuse_absent(row)
            row.save(force_insert=True)
            terms.save(force_insert=True)
            _insert_sites(row, new.sites, "/sites/{}")
            return row
    except IntegrityError as clash:
        detail = _(
            "A contract of the number {number} exists already. Choose another number.", number=new.number
        )
        raise Conflict(detail, errors=[Problem("/number", "taken", detail)]) from clash


def _contract_row(actor: Actor, new: NewContract) -> Contract:
    row = Contract(
        id=new.id or uuid7(),
        operator_id=actor.operator_id,
        number=new.number,
        customer_id=new.customer_id,
        starts_on=new.starts_on,
        ends_before=new.ends_before,
        term_months=new.term_months,
        renewal_months=new.renewal_months,
        notice_days=new.notice_days,
        end_rule=new.end_rule,
    )
    refuse_bad_row(row, ranges=CONTRACT_RANGES, check=lambda one: list(_contract_problems(one)))
    if row.ends_before is None:
        row.ends_before = contracts.duration_of(row).ends_by_itself
    return row


def _contract_problems(row: Contract) -> Iterator[Problem]:
    if not ADDRESS_CODE.match(row.number):
        yield Problem("/number", "code", _(ADDRESS_CODE_MEANING))
    for name in ("starts_on", "ends_before"):
        on = getattr(row, name)
        if on is not None and not FIRST_YEAR <= on.year <= LAST_YEAR:
            detail = _("A date of a contract lies in the years {first_year} to {last_year}.", **YEARS)
            yield Problem(f"/{name}", "out-of-range", detail)
    yield from end_problems(row.starts_on, row.ends_before, "/ends_before")
    if row.renewal_months and not row.term_months:
        yield Problem(
            "/renewal_months", "no-term", _("A contract that runs until notice has no term to renew. Set 0.")
        )


def _legal_entity(code: str) -> Any:
    if not code:
        return None
    try:
        return parties.get_legal_entity(code)
    except NotFound as absent:
        absent.errors = [Problem("/legal_entity", "not-found", absent.detail)]
        raise


# Sites


def add_contract_site(*, actor: Actor, contract_number: str, site: NewContractSite) -> ContractSite:
    """Let a site join a contract from a day on, in a month that is not closed.

    BadInput for days outside the contract or a site of somebody it is not for, Conflict for days that another contract
    covers, NotFound for a contract or site that is not here.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        return _insert_sites(contracts.get_contract(contract_number), [site], "")[0]


def _insert_sites(contract: Contract, new: Sequence[NewContractSite], pointer: str) -> list[ContractSite]:
    """Inside the lock: the rows of these sites. ``pointer`` is that of a site, with {} for its place among them."""
    rows = [
        ContractSite(
            operator_id=contract.operator_id,
            contract=contract,
            site_id=site.site_id,
            starts_on=site.starts_on or contract.starts_on,
            ends_before=site.ends_before,
        )
        for site in new
    ]
    if not rows:
        return []
    known = accounts.queries.sites_in([row.site_id for row in rows])
    payers = parties.paid_for_by(contract.customer_id)
    problems = [
        Problem(pointer.format(index) + one.pointer, one.code, one.detail)
        for index, row in enumerate(rows)
        for one in _site_problems(row, contract, known.get(row.site_id), payers)
    ]
    if problems:
        refusal = NotFound if problems[0].code == "not-found" else BadInput
        raise refusal(problems[0].detail, errors=problems)
    earliest = min(range(len(rows)), key=lambda index: rows[index].starts_on)
    refuse_closed_month(
        rows[earliest].starts_on, words.A_SITE_CAN_JOIN, pointer.format(earliest) + "/starts_on"
    )
    _give_way(rows, pointer)
    ContractSite.objects.bulk_create(rows, batch_size=1_000)
    for row in rows:
        row.site = known[row.site_id]
    return rows


def _site_problems(row: ContractSite, contract: Contract, site: Any, payers: set[UUID]) -> Iterator[Problem]:
    if site is None:
        yield Problem("/site", "not-found", _("There is no site here with this id."))
        return
    if site.customer_id not in payers:
        yield Problem(
            "/site",
            "other-customer",
            _(
                "{name} is not a site of the contract's customer, nor of one that it pays for.",
                name=site.name,
            ),
        )
    end = contract.ends_before
    if row.starts_on < contract.starts_on or (end is not None and row.starts_on >= end):
        yield Problem(
            "/starts_on",
            "outside-contract",
            _(
                "The contract runs {days}; the site can't join on {starts_on}.",
                days=words.days_of(contract),
                starts_on=day_text(row.starts_on),
            ),
        )
    yield from end_problems(row.starts_on, row.ends_before, "/ends_before")
    if row.ends_before is not None and end is not None and row.ends_before > end:
        yield Problem(
            "/ends_before",
            "outside-contract",
            _("The contract runs {days}; the site can't stay longer.", days=words.days_of(contract)),
        )


def _give_way(rows: Sequence[ContractSite], pointer: str) -> None:
    """Conflict where another contract still covers a site; the row of one that is over ends where the new one begins.

    Until then it stays: work at a site whose contract ran out waits for the next one, and is not billed by the list.
    """
    covered = contracts.overlapping([row.site_id for row in rows])
    for index, row in enumerate(rows):
        for other in covered[row.site_id]:
            end, until = other.contract.ends_before, other.ends_before
            if end is not None and end <= row.starts_on and (until is None or until > row.starts_on):
                other.ends_before = row.starts_on
                other.save(update_fields=["ends_before"])
            elif _overlap(row, other.starts_on, until):
                raise _covered(row, other, f"{pointer.format(index)}/site")
        covered[row.site_id].append(row)


def _covered(row: ContractSite, other: ContractSite, pointer: str) -> Conflict:
    detail = _(
        "{name} is under contract {number} {days}. End that first, or let this one begin later.",
        name=other.site.name,
        number=other.contract.number,
        days=words.days_of(other),
    )
    return Conflict(detail, errors=[Problem(pointer, "overlap", detail)])


def _overlap(row: ContractSite, starts_on: date, ends_before: date | None) -> bool:
    return covers(starts_on, ends_before, row.starts_on) or covers(row.starts_on, row.ends_before, starts_on)


def end_contract_site(
    *, actor: Actor, contract_number: str, site_id: UUID, ends_before: date
) -> ContractSite:
    """Let a site leave a contract that goes on; ``ends_before`` is the first day not covered. An end once set stays.

    Conflict when it has an end or the day lies in a closed month, NotFound for a site that the contract never had, BadInput
    for a day that is not after its first.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        contract = contracts.get_contract(contract_number)
        row = contracts.sites_of(contract.id).filter(site_id=site_id).order_by("-starts_on").first()
        if row is None:
            raise NotFound(_("This contract has no such site."))
        if row.ends_before is not None:
            raise Conflict(
                _(
                    "{name} leaves the contract on {ends_before} already.",
                    name=row.site.name,
                    ends_before=day_text(row.ends_before),
                )
            )
        if problems := end_problems(row.starts_on, ends_before, "/ends_before"):
            raise BadInput(problems[0].detail, errors=problems)
        refuse_closed_month(ends_before, words.A_SITE_CAN_LEAVE, "/ends_before")
        row.ends_before = ends_before
        row.save(update_fields=["ends_before"])
        return row


# Terms


def set_terms(*, actor: Actor, contract_number: str, terms: NewTerms) -> ContractTerms:
    """Other terms of a contract from a day on, in a month that is not closed; those set for later stay.

    BadInput for terms that can't be so, Conflict for a day from which there are terms already.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        contract = contracts.get_contract(contract_number)
        row = terms_row(contract, terms)
        if not covers(contract.starts_on, contract.ends_before, row.effective_from):
            raise _bad(
                "/effective_from",
                "outside-contract",
                _("The contract runs {days}.", days=words.days_of(contract)),
            )
        refuse_closed_month(row.effective_from, words.TERMS_CAN_BEGIN)
        if contracts.terms_rows(contract.id).filter(effective_from=row.effective_from).exists():
            detail = _(
                "{number} has terms from {effective_from} already. Choose another day.",
                number=contract.number,
                effective_from=day_text(row.effective_from),
            )
            raise Conflict(detail, errors=[Problem("/effective_from", "overlap", detail)])
        row.save(force_insert=True)
        return row


# Renewal and notice


def give_notice(
    *, actor: Actor, contract_number: str, given_on: date, ends_before: date | None = None
) -> Contract:
    """Notice of a contract: it ends by its rule, or (``ends_before``) on another day that both sides agreed on.

    Conflict when it has an end already or would end in a closed month, BadInput for an end that is not after its start.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        contract = contracts.get_contract(contract_number)
        if contract.notice_given_on is not None:
            raise Conflict(
                _(
                    "Notice was given on {notice_given_on} already: {said_end}.",
                    notice_given_on=day_text(contract.notice_given_on),
                    said_end=words.end_of(contract.number, contract.ends_before),
                )
            )
        by_itself = contracts.duration_of(contract).ends_by_itself
        if contract.ends_before is not None and (ends_before is None or contract.ends_before != by_itself):
            raise Conflict(
                _(
                    "No notice is needed: {said_end}.",
                    said_end=words.end_of(contract.number, contract.ends_before),
                )
            )
        if not FIRST_YEAR <= given_on.year <= LAST_YEAR:
            raise _bad(
                "/given_on",
                "out-of-range",
                _("Notice lies in the years {first_year} to {last_year}.", **YEARS),
            )
        end = ends_before or contracts.duration_of(contract).end_after_notice(given_on)
        if problems := end_problems(contract.starts_on, end, "/ends_before"):
            raise BadInput(problems[0].detail, errors=problems)
        refuse_closed_month(end, words.A_CONTRACT_CAN_END, "/ends_before" if ends_before else "/given_on")
        contract.notice_given_on, contract.ends_before = given_on, end
        contract.save(update_fields=["notice_given_on", "ends_before"])
        return contract


def withdraw_notice(*, actor: Actor, contract_number: str) -> Contract:
    """Take a notice back: the contract goes on as if none had been given. Not when it ended in a closed month."""
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        contract = contracts.get_contract(contract_number)
        if contract.notice_given_on is None or contract.ends_before is None:
            raise Conflict(_("No notice was given, so there is nothing to take back."))
        refuse_closed_month(contract.ends_before, words.NOTICE_CAN_BE_TAKEN_BACK, "/number")
        contract.notice_given_on = None
        contract.ends_before = contracts.duration_of(contract).ends_by_itself
        contract.save(update_fields=["notice_given_on", "ends_before"])
        return contract


def renew_due(*, actor: Actor, today: date) -> list[ContractRenewal]:
    """Record each term that a contract went on for by today since nobody had given notice; those known are left alone."""
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        return record_renewals(today)


def record_renewals(today: date) -> list[ContractRenewal]:
    """``renew_due`` inside an open scope, for the nightly job."""
    rows = [
        ContractRenewal(
            contract=contract, starts_on=term.starts_on, ends_before=term.ends_before, recorded_at=clock.now()
        )
        for contract in contracts.self_renewing()
        for term in contracts.duration_of(contract).renewals(today)
        if contract.ends_before is None or term.starts_on < contract.ends_before
    ]
    known = contracts.recorded_renewals([row.contract_id for row in rows])
    made = [row for row in rows if (row.contract_id, row.starts_on) not in known]
    ContractRenewal.objects.bulk_create(made, batch_size=1_000, ignore_conflicts=True)
    return made


def _bad(pointer: str, code: str, detail: str) -> BadInput:
    return BadInput(detail, errors=[Problem(pointer, code, detail)])
