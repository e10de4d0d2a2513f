"""The tables of billing. Django finds them here; each stands in the module of its noun."""

from billing.models.closing import Charge, CloseInputs, EventDisposition, PeriodClose, Preview
from billing.models.contracts import Contract, ContractRenewal, ContractSite, ContractTerms
from billing.models.documents import Document, DocumentLine, NumberSeries, Sending
from billing.models.ledger import Allocation, JournalEntry, JournalLine, Payment
from billing.models.parties import BillingProfile, LegalEntity, PurchaseOrder, SiteBilling, TaxRate
from billing.models.prices import IndexFigure, PriceItem, PriceVersion
from billing.models.royalty import RoyaltyStatement, RoyaltyTerms

__all__ = [
    "Allocation",
    "BillingProfile",
    "Charge",
    "CloseInputs",
    "Contract",
    "ContractRenewal",
    "ContractSite",
    "ContractTerms",
    "Document",
    "DocumentLine",
    "EventDisposition",
    "IndexFigure",
    "JournalEntry",
    "JournalLine",
    "LegalEntity",
    "NumberSeries",
    "Payment",
    "PeriodClose",
    "Preview",
    "PriceItem",
    "PriceVersion",
    "PurchaseOrder",
    "RoyaltyStatement",
    "RoyaltyTerms",
    "Sending",
    "SiteBilling",
    "TaxRate",
]
