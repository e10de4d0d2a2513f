"""The API's addresses of billing, under /api/v1/."""

from django.urls import path

from billing.api import (
    closes,
    contracts,
    documents,
    explaining,
    feed,
    ledger,
    opening,
    parties,
    payments,
    previews,
    prices,
    refunds,
    royalty,
    sending,
    webhooks,
)

urlpatterns = [
    path("price-items", prices.PriceItems.as_view(), name="api-price-items"),
    path("price-items/<str:code>/prices", prices.PriceItemPrices.as_view(), name="api-price-item-prices"),
    path(
        "prices/<uuid:price_id>/announcement",
        prices.PriceAnnouncement.as_view(),
        name="api-price-announcement",
    ),
    path("index-figures", prices.IndexFigures.as_view(), name="api-index-figures"),
    path("contracts", contracts.Contracts.as_view(), name="api-contracts"),
    path("contracts/<str:contract_number>", contracts.ContractDoor.as_view(), name="api-contract"),
    path(
        "contracts/<str:contract_number>/sites", contracts.ContractSites.as_view(), name="api-contract-sites"
    ),
    path(
        "contracts/<str:contract_number>/sites/<uuid:site_id>/end",
        contracts.ContractSiteEnd.as_view(),
        name="api-contract-site-end",
    ),
    path(
        "contracts/<str:contract_number>/terms",
        contracts.ContractTermsDoor.as_view(),
        name="api-contract-terms",
    ),
    path(
        "contracts/<str:contract_number>/notice",
        contracts.ContractNotice.as_view(),
        name="api-contract-notice",
    ),
    path(
        "contracts/<str:contract_number>/renewals",
        contracts.ContractRenewals.as_view(),
        name="api-contract-renewals",
    ),
    path(
        "contracts/<str:contract_number>/prices",
        contracts.ContractPrices.as_view(),
        name="api-contract-prices",
    ),
    path("legal-entities", parties.LegalEntities.as_view(), name="api-legal-entities"),
    path("billing-profiles", parties.BillingProfiles.as_view(), name="api-billing-profiles"),
    path(
        "customers/<uuid:customer_id>/billing-profile",
        parties.CustomerBillingProfile.as_view(),
        name="api-customer-billing-profile",
    ),
    path("site-billing", parties.SiteBillings.as_view(), name="api-site-billing"),
    path("purchase-orders", parties.PurchaseOrders.as_view(), name="api-purchase-orders"),
    path(
        "purchase-orders/<uuid:order_id>/end",
        parties.PurchaseOrderEnd.as_view(),
        name="api-purchase-order-end",
    ),
    path("tax-rates", parties.TaxRates.as_view(), name="api-tax-rates"),
    path("month-closes", closes.MonthCloses.as_view(), name="api-month-closes"),
    path("invoices", documents.Invoices.as_view(), name="api-invoices"),
    path("invoices/<str:number>", documents.InvoiceDoor.as_view(), name="api-invoice"),
    path("invoices/<str:number>/lines", documents.InvoiceLines.as_view(), name="api-invoice-lines"),
    path(
        "invoices/<str:number>/creditable",
        documents.InvoiceCreditable.as_view(),
        name="api-invoice-creditable",
    ),
    path("invoices/<str:number>/credit", documents.InvoiceCredit.as_view(), name="api-invoice-credit"),
    path("credit-notes", documents.CreditNotes.as_view(), name="api-credit-notes"),
    path("credit-notes/<str:credit_note>", documents.CreditNoteDoor.as_view(), name="api-credit-note"),
    path(
        "credit-notes/<str:credit_note>/lines",
        documents.CreditNoteLines.as_view(),
        name="api-credit-note-lines",
    ),
    path(
        "customers/<uuid:customer_id>/statement",
        documents.CustomerStatement.as_view(),
        name="api-customer-statement",
    ),
    path("charges", closes.Charges.as_view(), name="api-charges"),
    path(
        "charges/<uuid:charge_id>/explain",
        explaining.ChargeExplanation.as_view(),
        name="api-charge-explanation",
    ),
    path("month-previews", previews.MonthPreviews.as_view(), name="api-month-previews"),
    path("month-checklist", previews.MonthChecklist.as_view(), name="api-month-checklist"),
    path("royalty-terms", royalty.RoyaltyTermsDoor.as_view(), name="api-royalty-terms"),
    path("royalty-statements", royalty.RoyaltyStatements.as_view(), name="api-royalty-statements"),
    path(
        "royalty-statements/<str:royalty_month>",
        royalty.RoyaltyStatementDoor.as_view(),
        name="api-royalty-statement",
    ),
    path("sendings", sending.Sendings.as_view(), name="api-sendings"),
    path("statement-sendings", sending.StatementSendings.as_view(), name="api-statement-sendings"),
    path("payments", payments.Payments.as_view(), name="api-payments"),
    path("payments/<uuid:payment_id>", payments.PaymentDoor.as_view(), name="api-payment"),
    path(
        "payments/<uuid:payment_id>/allocations",
        payments.PaymentAllocations.as_view(),
        name="api-payment-allocations",
    ),
    path(
        "credit-notes/<str:credit_note>/allocations",
        payments.CreditNoteAllocations.as_view(),
        name="api-credit-note-allocations",
    ),
    path("payments/<uuid:payment_id>/return", refunds.PaymentReturn.as_view(), name="api-payment-return"),
    path(
        "payments/<uuid:payment_id>/allocations/<uuid:allocation_id>/release",
        refunds.PaymentAllocationRelease.as_view(),
        name="api-payment-allocation-release",
    ),
    path(
        "credit-notes/<str:credit_note>/allocations/<uuid:credit_allocation_id>/release",
        refunds.CreditNoteAllocationRelease.as_view(),
        name="api-credit-note-allocation-release",
    ),
    path("refunds", refunds.Refunds.as_view(), name="api-refunds"),
    path("refunds/<uuid:refund_id>", refunds.RefundDoor.as_view(), name="api-refund"),
    path("open-documents", payments.OpenDocuments.as_view(), name="api-open-documents"),
    path("debtors", payments.Debtors.as_view(), name="api-debtors"),
    path("opening-debts", opening.OpeningDebts.as_view(), name="api-opening-debts"),
    path("number-series", opening.AllNumberSeries.as_view(), name="api-number-series"),
    path("journal-entries", ledger.JournalEntries.as_view(), name="api-journal-entries"),
    path("journal-totals", ledger.JournalTotals.as_view(), name="api-journal-totals"),
    path("journal.csv", ledger.JournalFile.as_view(), name="api-journal-file"),
    path("accounting/changes", feed.AccountingChanges.as_view(), name="api-accounting-changes"),
    path("account-balances", ledger.AccountBalances.as_view(), name="api-account-balances"),
    path("webhook-endpoints", webhooks.WebhookEndpoints.as_view(), name="api-webhook-endpoints"),
    path(
        "webhook-endpoints/<uuid:endpoint_id>",
        webhooks.WebhookEndpointDoor.as_view(),
        name="api-webhook-endpoint",
    ),
    path(
        "webhook-endpoints/<uuid:endpoint_id>/rotate",
        webhooks.WebhookRotation.as_view(),
        name="api-webhook-rotation",
    ),
    path(
        "webhook-endpoints/<uuid:endpoint_id>/test", webhooks.WebhookTest.as_view(), name="api-webhook-test"
    ),
    path(
        "webhook-endpoints/<uuid:endpoint_id>/replay",
        webhooks.WebhookReplays.as_view(),
        name="api-webhook-replays",
    ),
    path(
        "webhook-endpoints/<uuid:endpoint_id>/deliveries",
        webhooks.WebhookDeliveries.as_view(),
        name="api-webhook-deliveries",
    ),
    path(
        "webhook-endpoints/<uuid:endpoint_id>/deliveries/<uuid:delivery_id>",
        webhooks.WebhookDeliveryDoor.as_view(),
        name="api-webhook-delivery",
    ),
    path(
        "webhook-endpoints/<uuid:endpoint_id>/deliveries/<uuid:delivery_id>/replay",
        webhooks.WebhookReplay.as_view(),
        name="api-webhook-replay",
    ),
]
