from django.db import migrations

import accounts.tenancy

# Terms, documents and money. What a close freezes and posts in masses is told by the close and its documents.


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0011_audit"),
        ("billing", "0005_accounting"),
    ]

    operations = [
        accounts.tenancy.Audited(
            "LegalEntity",
            label="code",
            values=[
                "code",
                "country",
                "regime",
                "tax_basis",
                "currency",
                "cash_rounding",
                "payment_days",
                "reminder_days",
                "is_default",
            ],
        ),
        accounts.tenancy.Audited(
            "BillingProfile",
            values=[
                "customer",
                "bill_to",
                "tax_treatment",
                "payment_days",
                "po_required",
                "line_pos",
                "delivery",
                "invoice_minimum",
            ],
        ),
        accounts.tenancy.Audited("SiteBilling", values=["site"]),
        accounts.tenancy.Audited(
            "PurchaseOrder",
            label="number",
            values=["customer", "site", "number", "starts_on", "ends_before", "limit", "currency"],
        ),
        accounts.tenancy.Audited(
            "TaxRate",
            label="jurisdiction",
            values=["jurisdiction", "tax_class", "category", "rate", "effective_from", "effective_to"],
        ),
        accounts.tenancy.Audited(
            "PriceItem",
            label="code",
            values=["code", "basis", "fixture", "event_type", "tax_class", "revenue_account"],
        ),
        accounts.tenancy.Audited(
            "PriceVersion",
            values=[
                "item",
                "contract",
                "site",
                "amount",
                "currency",
                "effective_from",
                "effective_to",
                "announced_on",
                "prior_amount",
                "index_code",
                "index_base_month",
                "index_month",
                "index_cap_percent",
                "index_floor_percent",
                "index_decimals",
            ],
        ),
        accounts.tenancy.Audited("IndexFigure", label="code", values=["code", "month", "value"]),
        # The next number is taken with each document.
        accounts.tenancy.Audited(
            "NumberSeries", label="code", values=["code", "legal_entity", "kind"], ignored=["next"]
        ),
        accounts.tenancy.Audited(
            "PeriodClose",
            label="month",
            values=[
                "month",
                "cut_position",
                "issued_on",
                "engine",
                "inputs_sha256",
                "days_without_price",
                "days_without_agreement",
            ],
        ),
        accounts.tenancy.Audited(
            "Document",
            label="number",
            values=[
                "kind",
                "number",
                "legal_entity",
                "customer",
                "close",
                "corrects",
                "issued_on",
                "due_on",
                "currency",
                "net",
                "tax",
                "total",
                "document_sha256",
            ],
        ),
        # How a mail fares is told on its own page.
        accounts.tenancy.Audited(
            "Sending",
            values=["customer", "document", "kind", "step"],
            ignored=["sent_at", "failed", "read_at"],
        ),
        accounts.tenancy.Audited(
            "Payment", values=["customer", "legal_entity", "received_on", "amount", "currency", "method"]
        ),
        accounts.tenancy.Audited(
            "Refund",
            values=[
                "kind",
                "customer",
                "legal_entity",
                "payment",
                "credit_note",
                "paid_on",
                "amount",
                "currency",
                "method",
            ],
        ),
        accounts.tenancy.Audited(
            "Allocation", values=["payment", "credit_note", "document", "amount", "made_on", "undoes"]
        ),
        accounts.tenancy.Audited(
            "BankStatement",
            values=["currency", "legal_entity", "since", "until", "opening", "closing", "file_sha256"],
        ),
        # They come with their statement; what is then made of each is told.
        accounts.tenancy.Audited(
            "BankEntry", values=["state", "payment", "refund", "settled_at"], on=["UPDATE", "DELETE"]
        ),
        accounts.tenancy.Audited(
            "Contract",
            label="number",
            values=[
                "number",
                "customer",
                "legal_entity",
                "starts_on",
                "ends_before",
                "term_months",
                "renewal_months",
                "notice_days",
                "end_rule",
                "notice_given_on",
            ],
        ),
        accounts.tenancy.Audited("ContractSite", values=["contract", "site", "starts_on", "ends_before"]),
        accounts.tenancy.Audited(
            "ContractTerms",
            values=[
                "contract",
                "effective_from",
                "mode",
                "cycle_months",
                "in_advance",
                "proration",
                "base_units",
                "visit_minimum",
                "invoice_minimum",
                "install_waived",
                "claw_back_months",
                "not_admitted",
                "credits_missed",
                "make_good_days",
                "credit_as",
            ],
        ),
        accounts.tenancy.Audited("ContractRenewal", values=["contract", "starts_on", "ends_before"]),
        accounts.tenancy.Audited("ExternalId", values=["system", "kind", "object_id"]),
        accounts.tenancy.Audited("AccountMapping", values=["system", "legal_entity", "account"]),
        accounts.tenancy.Audited(
            "RoyaltyTerms",
            label="effective_from",
            values=["effective_from", "basis", "tiers", "minimum", "fund_percent", "currency"],
        ),
        accounts.tenancy.Audited(
            "RoyaltyStatement",
            label="month",
            values=[
                "terms",
                "month",
                "issued_on",
                "currency",
                "base",
                "carried_in",
                "carried_out",
                "royalty",
                "fund",
                "document_sha256",
            ],
        ),
        # What it was sent is on its own page.
        accounts.tenancy.Audited(
            "WebhookEndpoint",
            values=["kinds", "before_until", "stopped_at", "removed_at"],
            ignored=["sequence", "told_position", "failing_since"],
        ),
    ]
