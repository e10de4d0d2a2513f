"""The chart of accounts: what the ledger's accounts are for, and the numbers they have in a legal entity's books."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from accounts.languages import _


class Account(StrEnum):
    """What the ledger's accounts are for. A legal entity may give each a number of its own books."""

    BANK = "bank"
    CASH = "cash"
    RECEIVABLE = "receivable"
    PREPAYMENT = "prepayment"  # customers' money that settles nothing yet
    DEFERRED = "deferred_revenue"  # billed for days still to come
    TAX = "tax"
    ROYALTY_PAYABLE = "royalty_payable"
    FUND_PAYABLE = "fund_payable"
    OPENING = "opening"  # against the debts that an operator brought with it
    REVENUE = "revenue"
    CASH_ROUNDING = "cash_rounding"
    ROYALTY = "royalty"
    FUND = "fund"


# Numbers of our own, by the usual order of a ledger: assets, liabilities, equity, income, expenses.
USUAL_NUMBERS: dict[Account, str] = {
    Account.BANK: "1010",
    Account.CASH: "1020",
    Account.RECEIVABLE: "1100",
    Account.PREPAYMENT: "2010",
    Account.DEFERRED: "2020",
    Account.TAX: "2030",
    Account.ROYALTY_PAYABLE: "2040",
    Account.FUND_PAYABLE: "2050",
    Account.OPENING: "3010",
    Account.REVENUE: "4010",
    Account.CASH_ROUNDING: "4090",
    Account.ROYALTY: "5010",
    Account.FUND: "5020",
}
_NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9.-]{0,19}\Z")


@dataclass(frozen=True, slots=True)
class Chart:
    """The number of each account in one legal entity's books."""

    own: Mapping[str, str]

    def __getitem__(self, account: Account) -> str:
        return self.own.get(account) or USUAL_NUMBERS[account]


USUAL_CHART = Chart({})


def chart_problems(own: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What is wrong with an entity's account numbers: each key of ``own`` with a sentence."""
    for name, number in own.items():
        if name not in set(Account):
            yield (
                name,
                _(
                    "{name} is no account here. The accounts are {account}.",
                    name=name,
                    account=", ".join(Account),
                ),
            )
        elif not isinstance(number, str) or not _NUMBER.match(number):
            yield name, _("An account's number has up to 20 letters, digits, dots and dashes.")
    chart = Chart({name: str(number) for name, number in own.items()})
    owners: dict[str, Account] = {}
    for account in Account:
        first = owners.setdefault(chart[account], account)
        if first is not account:
            guilty = account if account in own else first
            yield (
                str(guilty),
                _(
                    "{chart} is the number of {first} and of {account}. Give each its own.",
                    chart=chart[account],
                    first=first,
                    account=account,
                ),
            )
