"""Who sells, who pays and what is taxed how, as plain values that documents are made of."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID

# Regimes whose documents are also given as UBL under EN 16931.
E_INVOICING = frozenset({"vat", "gst"})


@dataclass(frozen=True, slots=True)
class Entity:
    """Who issues. ``id`` None: the operator in its own name, which has no tax (regime "none")."""

    id: UUID | None
    code: str
    legal_name: str
    currency: str
    country: str = ""
    street: str = ""
    city: str = ""
    postcode: str = ""
    subdivision: str = ""
    vat_id: str = ""
    registration: str = ""
    regime: str = "none"
    tax_jurisdiction: str = ""
    tax_basis: str = "invoice"
    cash_rounding: Decimal = Decimal(0)
    payment_days: int = 30
    iban: str = ""
    bic: str = ""
    bank_name: str = ""
    email: str = ""
    phone: str = ""

    @property
    def is_e_invoicing(self) -> bool:
        """Whether its documents are also given as UBL under EN 16931."""
        return self.regime in E_INVOICING


@dataclass(frozen=True, slots=True)
class Profile:
    """What billing knows of a customer; one without a row has these values."""

    customer_id: UUID
    bill_to_id: UUID | None = None
    street: str = ""
    city: str = ""
    postcode: str = ""
    subdivision: str = ""
    vat_id: str = ""
    buyer_reference: str = ""
    tax_treatment: str = "standard"
    tax_jurisdiction: str = ""
    exemption_reason: str = ""
    payment_days: int | None = None
    po_required: bool = False
    line_pos: bool = False
    delivery: str = "email"
    invoice_minimum: Decimal | None = None


@dataclass(frozen=True, slots=True)
class SiteTax:
    """Where a site is taxed (empty: where its seller is), and the customer's cost centre for it."""

    site_id: UUID
    tax_jurisdiction: str = ""
    cost_centre: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """A purchase order, for one site or (None) for all, on the days [starts_on, ends_before)."""

    id: UUID
    customer_id: UUID
    site_id: UUID | None
    number: str
    starts_on: date
    ends_before: date | None
    limit: Decimal | None
    currency: str


@dataclass(frozen=True, slots=True)
class Rate:
    """A tax rate of one class in one jurisdiction, in percent, on the days [effective_from, effective_to)."""

    jurisdiction: str
    tax_class: str
    category: str
    rate: Decimal
    name: str
    exemption_reason: str
    effective_from: date
    effective_to: date | None
