"""Charges, sellers and buyers as plain values, for tests of documents."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from billing.rules.documents import Heading, invoice
from billing.rules.drafting import Draft, drafts
from billing.rules.inputs import Contract, Inputs
from billing.rules.invoicing import Kind, Line
from billing.rules.parties import Entity, Order, Profile, Rate
from billing.rules.rating import Charge, Rule
from billing.rules.terms import EndRule, Terms
from tests.billing import plain
from tests.billing.plain import HARBOUR, OCTOBER, SEPTEMBER, uid

BUYER = uid("customer HARBOUR")
ISSUED = date(2026, 10, 3)
SELLER = Entity(uid("seller"), "MAIN", "Northern Drip Rounds GmbH", "EUR", country="DE", regime="vat")
# Invented rates that look like those of EU countries; only the arithmetic is under test.
STANDARD = Rate("DE", "standard", "S", Decimal("19.0000"), "VAT 19 %", "", date(2020, 1, 1), None)
REDUCED = Rate("DE", "reduced", "S", Decimal("7.0000"), "VAT 7 %", "", date(2020, 1, 1), None)


def charge(amount: str, name: str = "one", **more: Any) -> Charge:
    """A piece of work on 14 September for HARBOUR's customer, unless said otherwise."""
    values: dict[str, Any] = {
        "key": uid(name).hex * 2,
        "rule": Rule.EVENT,
        "subject_id": plain.UNIT,
        "event_id": uid(f"event {name}"),
        "item_code": "wick",
        "item_name": "New wick",
        "price_version_id": uid("price"),
        "unit_price": abs(Decimal(amount)),
        "currency": "EUR",
        "customer_id": BUYER,
        "agreement_id": uid("agreement HARBOUR"),
        "agreement_number": "A-HARBOUR",
        "site_id": HARBOUR,
        "site_code": "HARBOUR",
        "site_name": "Harbour",
        "unit_code": "ABC123XYZ",
        "place": "Ground floor, left",
        "service_on": date(2026, 9, 14),
        "occurred_at": None,
        "starts_on": SEPTEMBER,
        "ends_before": OCTOBER,
        "part": Decimal(1) if Decimal(amount) >= 0 else Decimal(-1),
        "whole": 1,
        "amount": Decimal(amount),
    }
    return Charge(**(values | more))


def line(amount: str, name: str = "one", kind: Kind | None = None, **more: Any) -> Line:
    usual = Kind.CREDIT if Decimal(amount) < 0 else Kind.REGULAR
    return Line(kind or usual, charge(amount, name, **more))


def given(
    *rates: Rate,
    seller: Entity = SELLER,
    orders: tuple[Order, ...] = (),
    terms: Terms | None = None,
    **profile: Any,
) -> Inputs:
    """The small operator with a seller, and what billing knows of the buyer. ``terms``: those of a contract "K1"."""
    contract = Contract(
        uid("contract"),
        "K1",
        BUYER,
        seller.id,
        SEPTEMBER,
        None,
        12,
        12,
        90,
        EndRule.PERIOD_END,
        (terms,) if terms else (),
    )
    return replace(
        plain.inputs(),
        entities={None: seller, seller.id: seller},
        profiles={BUYER: Profile(BUYER, **profile)},
        rates=rates or (STANDARD, REDUCED),
        orders=orders,
        contracts={contract.id: contract},
    )


def under_contract(amount: str, name: str = "one", **more: Any) -> Line:
    return line(amount, name, contract_id=uid("contract"), contract_number="K1", **more)


def drafted(inputs: Inputs, *lines: Line) -> list[Draft]:
    return drafts(lines, inputs, month=SEPTEMBER).drafts


def heading(number: str = "INV-000001", previous: str = "") -> Heading:
    return Heading(number, ISSUED, SEPTEMBER, previous, due_on=date(2026, 11, 2))


def invoiced(inputs: Inputs, *lines: Line) -> dict[str, Any]:
    """The one invoice that these lines make."""
    (draft,) = drafted(inputs, *lines)
    return invoice(heading(), draft, inputs)
