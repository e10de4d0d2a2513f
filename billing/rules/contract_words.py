"""What refusals say of a contract: its days, its end, and what a closed month does not let change."""

from __future__ import annotations

from datetime import date
from typing import Protocol

from accounts.languages import N_, _
from billing.rules.dating import day_text

A_SITE_CAN_JOIN = N_("{month} is closed, so a site can join on {day} at the earliest.")
A_SITE_CAN_LEAVE = N_("{month} is closed, so a site can leave on {day} at the earliest.")
TERMS_CAN_BEGIN = N_("{month} is closed, so terms can begin on {day} at the earliest.")
A_CONTRACT_CAN_END = N_("{month} is closed, so a contract can end on {day} at the earliest.")
NOTICE_CAN_BE_TAKEN_BACK = N_(
    "{month} is closed, so notice can be taken back of a contract that ends on {day} at the earliest."
)


class Dated(Protocol):
    """A contract, or a site of one, with the day before which it ends, if it does."""

    starts_on: date
    ends_before: date | None


def days_of(contract: Dated) -> str:
    """Its days, as half a sentence: "from Mon 1 Jun 2026 until before Wed 1 Jul 2026"."""
    starts_on = day_text(contract.starts_on)
    if contract.ends_before is None:
        return _("from {day}", day=starts_on)
    return _("from {day} until before {end}", day=starts_on, end=day_text(contract.ends_before))


def end_of(number: str, ends_before: date | None) -> str:
    """When a contract ends, as half a sentence; "" while it has no end."""
    if ends_before is None:
        return ""
    return _("{number} ends before {ends_before}", number=number, ends_before=day_text(ends_before))
