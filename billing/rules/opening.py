"""Debts that were open when an operator joined, as documents; and the numbers that they may not have."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from accounts.languages import N_, _
from billing.rules.documents import ENGINE, amount_text, buyer, issuer, spoken
from billing.rules.inputs import Customer
from billing.rules.money import minor_units, policy_for
from billing.rules.parties import Entity, Profile

NOTE = N_("What was open of a document of the books before; its lines and its tax stand there.")
_OURS = re.compile(r"(?P<series>(INV|CRN)(-.+)?)-(?P<ordinal>\d{6,})\Z")


@dataclass(frozen=True, slots=True)
class Debt:
    """What is left of a document of the books before. ``opened_on``: the day that it was taken over."""

    number: str
    issued_on: date
    due_on: date | None
    opened_on: date
    amount: Decimal
    currency: str
    po_number: str
    reason: str = ""


def opening_document(debt: Debt, entity: Entity, customer: Customer, profile: Profile) -> dict[str, Any]:
    """The debt in the form of a document, without lines: its net is what is owed, since its tax is booked already."""
    currency = debt.currency
    owed, nothing = amount_text(debt.amount, currency), amount_text(Decimal(0), currency)
    return {
        **spoken(),
        "document": "opening",
        "engine": ENGINE,
        "number": debt.number,
        "issued_on": str(debt.issued_on),
        "due_on": str(debt.due_on) if debt.due_on else None,
        "opened_on": str(debt.opened_on),
        "currency": currency,
        "minor_units": minor_units(currency),
        "month": None,
        "period": None,
        "issuer": issuer(entity),
        "customer": buyer(customer, profile),
        "references": {"contract": "", "po": debt.po_number, "corrects": None},
        "reason": debt.reason,
        "rounding": {
            "policy": policy_for(currency, e_invoicing=entity.is_e_invoicing),
            "tax_basis": entity.tax_basis,
        },
        "lines": [],
        "tax_groups": [],
        "net": owed,
        "tax": nothing,
        "total": owed,
        "cash_rounding": nothing,
        "payable": owed,
        "note": _(NOTE),
        "previous_sha256": "",
    }


def is_still_to_come(number: str, next_by_series: Mapping[str, int]) -> bool:
    """Whether one of the operator's own series will draw this number. A series that is not begun begins at 1."""
    ours = _OURS.match(number)
    return ours is not None and int(ours["ordinal"]) >= next_by_series.get(ours["series"], 1)
