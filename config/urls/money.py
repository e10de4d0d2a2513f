"""The pages of money."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from billing.pages import accounts_of_customers as customers
from billing.pages import (
    ahead,
    bank_files,
    billing_profiles,
    closing,
    contracting,
    contracts,
    crediting,
    documents,
    issuers,
    money,
    openings,
    payments,
    prices,
    refunds,
    royalty,
    webhooks,
)

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

MONEY = f"{OPERATOR}/money"
pages: list[URLPattern | URLResolver] = [
    path(f"{MONEY}/", money.money, name="money"),
    path(f"{MONEY}/month", closing.month, name="month"),
    path(f"{MONEY}/month/preview", closing.preview_month, name="preview-month"),
    path(f"{MONEY}/month/close", closing.close_month, name="close-month"),
    path(f"{MONEY}/documents/", documents.document_list, name="documents"),
    path(f"{MONEY}/documents/<path:number>/credit", crediting.credit, name="credit"),
    path(f"{MONEY}/documents/<path:number>/refund", refunds.refund_credit, name="refund-credit"),
    path(f"{MONEY}/documents/<path:number>/send", documents.send_again, name="send-again"),
    *(
        path(
            f"{MONEY}/documents/<path:number>.{form}",
            documents.document_file,
            {"form": form},
            name="document-file",
        )
        for form in ("pdf", "xml", "json", "csv")
    ),
    path(f"{MONEY}/documents/<path:number>", documents.document, name="invoice"),
    path(f"{MONEY}/charges/<uuid:charge_id>", documents.charge, name="charge"),
    path(f"{MONEY}/customers/", customers.customer_list, name="customer-accounts"),
    path(f"{MONEY}/customers/<str:code>", customers.customer_account, name="customer-account"),
    path(f"{MONEY}/customers/<str:code>/statement", customers.send_statement, name="send-statement"),
    path(f"{MONEY}/customers/<str:code>/payment", payments.record_payment, name="record-payment"),
    path(
        f"{MONEY}/customers/<str:code>/payments/<uuid:payment_id>",
        payments.settle_payment,
        name="settle-payment",
    ),
    path(f"{MONEY}/payments/<uuid:payment_id>", refunds.payment, name="payment"),
    path(f"{MONEY}/payments/<uuid:payment_id>/refund", refunds.refund_payment, name="refund-payment"),
    path(f"{MONEY}/payments/<uuid:payment_id>/return", refunds.take_back, name="return-payment"),
    path(f"{MONEY}/settled/<uuid:allocation_id>/undo", refunds.release, name="release-allocation"),
    path(f"{MONEY}/customers/<str:code>/billing", billing_profiles.profile, name="billing-profile"),
    path(f"{MONEY}/customers/<str:code>/email", billing_profiles.set_email, name="billing-email"),
    path(f"{MONEY}/customers/<str:code>/orders", billing_profiles.add_order, name="add-order"),
    path(
        f"{MONEY}/customers/<str:code>/orders/<uuid:order_id>/end",
        billing_profiles.end_order,
        name="end-order",
    ),
    path(f"{MONEY}/customers/<str:code>/sites", billing_profiles.set_site, name="site-billing"),
    path(f"{MONEY}/customers/<str:code>/opening-debt", openings.add_debt, name="add-opening-debt"),
    path(f"{MONEY}/bank/", bank_files.bank, name="bank"),
    path(f"{MONEY}/bank/preview", bank_files.preview, name="bank-preview"),
    path(f"{MONEY}/bank/take-in", bank_files.take_in, name="bank-import"),
    path(
        f"{MONEY}/bank/statements/<uuid:statement_id>",
        bank_files.statement,
        name="bank-statement",
    ),
    path(f"{MONEY}/bank/entries/<uuid:entry_id>", bank_files.entry, name="bank-entry"),
    path(f"{MONEY}/bank/entries/<uuid:entry_id>/assign", bank_files.assign, name="bank-assign"),
    path(f"{MONEY}/bank/entries/<uuid:entry_id>/set-aside", bank_files.set_aside, name="bank-set-aside"),
    path(
        f"{MONEY}/bank/entries/<uuid:entry_id>/take-back/<uuid:payment_id>",
        bank_files.take_back,
        name="bank-return",
    ),
    path(f"{MONEY}/contracts/", contracts.contract_list, name="contracts"),
    path(f"{MONEY}/new-contract", contracting.new_contract, name="new-contract"),
    path(f"{MONEY}/contracts/<str:number>", contracts.contract, name="contract"),
    path(f"{MONEY}/contracts/<str:number>/terms", contracting.set_terms, name="contract-terms"),
    path(f"{MONEY}/contracts/<str:number>/sites", contracting.add_site, name="contract-sites"),
    path(
        f"{MONEY}/contracts/<str:number>/sites/<uuid:row_id>/end",
        contracting.end_site,
        name="end-contract-site",
    ),
    path(f"{MONEY}/contracts/<str:number>/notice", contracting.give_notice, name="contract-notice"),
    path(
        f"{MONEY}/contracts/<str:number>/notice/withdraw",
        contracting.withdraw_notice,
        name="withdraw-notice",
    ),
    path(f"{MONEY}/prices/", prices.price_list, name="prices"),
    path(f"{MONEY}/new-price-item", prices.new_item, name="new-price-item"),
    path(f"{MONEY}/index-figures", prices.index_figure, name="index-figure"),
    path(f"{MONEY}/prices/<str:code>", prices.price_item, name="price-item"),
    path(f"{MONEY}/prices/<str:code>/set", prices.set_price, name="set-price"),
    path(f"{MONEY}/issuers/", issuers.issuers, name="issuers"),
    path(f"{MONEY}/new-issuer", issuers.new_issuer, name="new-issuer"),
    path(f"{MONEY}/issuers/<str:code>", issuers.issuer, name="issuer"),
    path(f"{MONEY}/numbers", openings.series, name="number-series"),
    path(f"{MONEY}/tax-rates", issuers.set_tax_rate, name="tax-rate"),
    path(f"{MONEY}/webhooks/", webhooks.webhook_list, name="webhooks"),
    path(f"{MONEY}/new-webhook", webhooks.new_webhook, name="new-webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>", webhooks.webhook, name="webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>/rotate", webhooks.rotate_webhook, name="rotate-webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>/stop", webhooks.stop_webhook, name="stop-webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>/start", webhooks.start_webhook, name="start-webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>/remove", webhooks.remove_webhook, name="remove-webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>/test", webhooks.test_webhook, name="test-webhook"),
    path(f"{MONEY}/webhooks/<uuid:endpoint_id>/replay", webhooks.replay_webhook, name="replay-webhook"),
    path(
        f"{MONEY}/webhooks/<uuid:endpoint_id>/deliveries/<uuid:delivery_id>",
        webhooks.webhook_delivery,
        name="webhook-delivery",
    ),
    path(f"{OPERATOR}/ahead/", ahead.ahead, name="ahead"),
    path(f"{OPERATOR}/ahead/prices/<uuid:version_id>", ahead.announce_price, name="announce-price"),
    path(f"{OPERATOR}/royalty/", royalty.royalty, name="royalty"),
    path(f"{OPERATOR}/royalty/state", royalty.state, name="state-royalty"),
    path(f"{OPERATOR}/royalty/terms", royalty.terms, name="royalty-terms"),
    path(f"{OPERATOR}/royalty/<str:month>", royalty.statement, name="royalty-statement"),
]
