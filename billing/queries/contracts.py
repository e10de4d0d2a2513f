"""Reads of contracts, the sites they cover and their terms, inside an operator's scope.

What a close freezes comes as plain values, in one or two statements whatever the number of rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import Contract, ContractRenewal, ContractSite, ContractTerms
from billing.rules import inputs
from billing.rules.contract_end import Duration, Term
from billing.rules.terms import CreditAs, EndRule, Inclusion, Mode, NotAdmitted, Proration, Terms


@dataclass(frozen=True, slots=True)
class RenewalAhead:
    """A contract whose term ends soon: by when notice must be given to end it then, and what happens without.

    ``notice_by`` None: no notice is needed, it ends. ``renews_until``: the end of the term it goes on for, None if it ends.
    """

    contract_id: UUID
    number: str
    customer_id: UUID
    customer_code: str
    customer_name: str
    term_ends_before: date
    notice_by: date | None
    renews_until: date | None


# Rows for the doors


def contracts() -> QuerySet[Contract]:
    """Every contract with its customer and who issues, by number."""
    return Contract.objects.select_related("customer", "legal_entity").order_by("number")


def get_contract(number: str) -> Contract:
    contract = contracts().filter(number=number).first()
    if contract is None:
        raise NotFound(_("There is no contract here with this number."))
    return contract


def sites_of(contract_id: UUID) -> QuerySet[ContractSite]:
    """The sites of a contract, by code, each with the days it covers them on."""
    rows = ContractSite.objects.select_related("site").filter(contract_id=contract_id)
    return rows.order_by("site__code", "starts_on")


def terms_rows(contract_id: UUID) -> QuerySet[ContractTerms]:
    """The terms of a contract, the earliest first."""
    return ContractTerms.objects.filter(contract_id=contract_id).order_by("effective_from")


def renewals_of(contract_id: UUID) -> QuerySet[ContractRenewal]:
    """The terms that a contract went on for by itself, the earliest first."""
    return ContractRenewal.objects.filter(contract_id=contract_id).order_by("starts_on")


def overlapping(site_ids: Collection[UUID]) -> dict[UUID, list[ContractSite]]:
    """The rows of these sites, whichever contract's, the earliest first."""
    found: dict[UUID, list[ContractSite]] = defaultdict(list)
    rows = ContractSite.objects.select_related("contract", "site").filter(site_id__in=site_ids)
    for row in rows.order_by("starts_on"):
        found[row.site_id].append(row)
    return found


# Terms and their ends


def duration_of(contract: Contract) -> Duration:
    return Duration(
        contract.starts_on,
        contract.term_months,
        contract.renewal_months,
        contract.notice_days,
        EndRule(contract.end_rule),
    )


def running_term(contract: Contract, today: date) -> Term | None:
    """The term that a contract is in; None before it, after its end, or where it runs without terms."""
    if contract.ends_before is not None and contract.ends_before <= today:
        return None
    return duration_of(contract).term_on(today)


def self_renewing() -> QuerySet[Contract]:
    """The contracts that renew themselves, those with notice among them."""
    return Contract.objects.filter(term_months__gt=0, renewal_months__gt=0).order_by("number")


def recorded_renewals(contract_ids: Collection[UUID]) -> set[tuple[UUID, date]]:
    """The renewals that are known: contract and first day."""
    rows = ContractRenewal.objects.filter(contract_id__in=contract_ids)
    return set(rows.values_list("contract_id", "starts_on"))


def renewals_ahead(today: date, within_days: int) -> list[RenewalAhead]:
    """Contracts whose running term, or the time for notice to end it, runs out within so many days from today.

    The ones to be decided on first; whose end is set by a notice is decided already and left out.
    """
    until = today + timedelta(days=within_days)
    rows = contracts().filter(notice_given_on=None).filter(Q(ends_before=None) | Q(ends_before__gt=today))
    found = [_ahead(row, term) for row in rows if (term := running_term(row, today))]
    soon = [
        one
        for one in found
        if one.term_ends_before <= until or (one.notice_by is not None and today <= one.notice_by <= until)
    ]
    return sorted(soon, key=lambda one: (one.notice_by or one.term_ends_before, one.number))


def _ahead(contract: Contract, term: Term) -> RenewalAhead:
    duration = duration_of(contract)
    renews = contract.ends_before is None and contract.renewal_months > 0
    following = duration.term_on(term.ends_before) if renews else None
    return RenewalAhead(
        contract_id=contract.id,
        number=contract.number,
        customer_id=contract.customer_id,
        customer_code=contract.customer.code,
        customer_name=contract.customer.name,
        term_ends_before=contract.ends_before or term.ends_before,
        notice_by=duration.notice_by(term) if renews else None,
        renews_until=following.ends_before if following else None,
    )


# Plain values, for a close


def contracts_in(contract_ids: Collection[UUID]) -> list[inputs.Contract]:
    """These contracts with their terms as rating reads them, by number, in two statements."""
    rows = Contract.objects.filter(id__in=contract_ids).order_by("number")
    columns = rows.values_list(
        "id", "number", "customer_id", "legal_entity_id", "starts_on", "ends_before",
        "term_months", "renewal_months", "notice_days", "end_rule",
    )  # fmt: skip
    found = list(columns)
    terms = _terms_of([row[0] for row in found])
    return [
        inputs.Contract(
            id=row[0],
            number=row[1],
            customer_id=row[2],
            entity_id=row[3],
            starts_on=row[4],
            ends_before=row[5],
            term_months=row[6],
            renewal_months=row[7],
            notice_days=row[8],
            end_rule=EndRule(row[9]),
            terms=tuple(terms[row[0]]),
        )
        for row in found
    ]


def contract_sites(site_ids: Collection[UUID] | None = None) -> list[inputs.ContractSite]:
    """Which contract covers which site on which days: these sites' or (None) all, by site and day, in one statement.

    A row may reach beyond its contract's end: the site is then still nobody else's, and its work waits for a new contract.
    """
    rows = ContractSite.objects.order_by("site_id", "starts_on")
    rows = rows if site_ids is None else rows.filter(site_id__in=site_ids)
    columns = rows.values_list("contract_id", "site_id", "starts_on", "ends_before")
    return [inputs.ContractSite(*row) for row in columns.iterator()]


_TERMS = (
    "effective_from", "mode", "cycle_months", "in_advance", "proration", "base_units", "visit_minimum", "invoice_minimum",
    "inclusions", "install_waived", "claw_back_months", "not_admitted", "credits_missed", "make_good_days", "credit_as",
)  # fmt: skip


def _terms_of(contract_ids: Iterable[UUID]) -> dict[UUID, list[Terms]]:
    found: dict[UUID, list[Terms]] = defaultdict(list)
    rows = ContractTerms.objects.filter(contract_id__in=list(contract_ids)).order_by("effective_from")
    for contract_id, *values in rows.values_list("contract_id", *_TERMS):
        found[contract_id].append(plain_terms(dict(zip(_TERMS, values, strict=True))))
    return found


def plain_terms(values: dict[str, Any]) -> Terms:
    """Terms as plain values, from the columns of their row."""
    return Terms(
        **{
            **values,
            "mode": Mode(values["mode"]),
            "proration": Proration(values["proration"]),
            "inclusions": tuple(Inclusion(**one) for one in values["inclusions"]),
            "not_admitted": NotAdmitted(values["not_admitted"]),
            "credit_as": CreditAs(values["credit_as"]),
        }
    )
