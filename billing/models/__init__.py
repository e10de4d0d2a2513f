"""The tables of billing. Django finds them here; each stands in the module of its noun."""

from billing.models.bank import BankEntry, BankStatement
from billing.models.closing import Charge, CloseInputs, EventDisposition, PeriodClose, Preview
from billing.models.contracts import Contract, ContractRenewal, ContractSite, ContractTerms
from billing.models.documents import Document, DocumentLine, NumberSeries, Sending
from billing.models.feed import AccountMapping, Change, ExternalId
from billing.models.ledger import Allocation, JournalEntry, JournalLine, Payment, Refund
from billing.models.parties import BillingProfile, LegalEntity, PurchaseOrder, SiteBilling, TaxRate
from billing.models.prices import IndexFigure, PriceItem, PriceVersion
from billing.models.royalty import RoyaltyStatement, RoyaltyTerms
from billing.models.webhooks import AlertTelling, WebhookAttempt, WebhookDelivery, WebhookEndpoint

__all__ = [
    "AccountMapping",
    "AlertTelling",
    "Allocation",
    "BankEntry",
    "BankStatement",
    "BillingProfile",
    "Change",
    "Charge",
    "CloseInputs",
    "Contract",
    "ContractRenewal",
    "ContractSite",
    "ContractTerms",
    "Document",
    "DocumentLine",
    "EventDisposition",
    "ExternalId",
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
    "Refund",
    "RoyaltyStatement",
    "RoyaltyTerms",
    "Sending",
    "SiteBilling",
    "TaxRate",
    "WebhookAttempt",
    "WebhookDelivery",
    "WebhookEndpoint",
]
