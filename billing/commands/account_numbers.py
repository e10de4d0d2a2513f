"""The numbers of the ledger's accounts: which stay as they are, and which an item's revenue may not have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from accounts.errors import BadInput, Conflict, Problem
from accounts.languages import _
from billing.models import LegalEntity
from billing.queries import ledger
from billing.rules.chart import Account, Chart

# What stands on these is taken off them again later: on another number one half of it would stay behind.
STAYING = (Account.DEFERRED, Account.PREPAYMENT, Account.RECEIVABLE)


def refuse_taken_for_revenue(numbers: Sequence[str]) -> None:
    """BadInput for revenue on an account that stands for something else; pointers begin with the number's index."""
    taken = ledger.numbers_of_others()
    problems = [
        Problem(
            f"/{index}/revenue_account",
            "taken",
            _(
                "{number} is the number of {taken} in the ledger. Give revenue another one.",
                number=number,
                taken=taken[number],
            ),
        )
        for index, number in enumerate(numbers)
        if number in taken
    ]
    if problems:
        raise BadInput(_("{problem} Nothing was added.", problem=problems[0].detail), errors=problems)


def refuse_moved(entity: LegalEntity, was: Mapping[str, str]) -> None:
    """Conflict for another number of an account that has entries to come back to, or one that is an item's revenue."""
    before, after = Chart(was), Chart(entity.accounts)
    moved = [account for account in Account if before[account] != after[account]]
    revenue = ledger.revenue_numbers()
    problems = [
        Problem(
            f"/accounts/{account}",
            "in-use",
            _(
                "{account} has entries on {before}, and keeps that number.",
                account=account,
                before=before[account],
            ),
        )
        for account in moved
        if account in STAYING and ledger.has_entries(entity.id, before[account])
    ] + [
        Problem(
            f"/accounts/{account}",
            "taken",
            _(
                "{after} is an account of revenue on the price list. Choose another number for {account}.",
                after=after[account],
                account=account,
            ),
        )
        for account in moved
        if account is not Account.REVENUE and after[account] in revenue
    ]
    if problems:
        raise Conflict(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)
