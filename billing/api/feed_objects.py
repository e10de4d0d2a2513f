"""What the accounting feed says of each thing, for its documentation: one object a kind, told apart by ``kind``.

The feed itself is written from plain values that ``billing.queries.feed`` makes in just this form.
"""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import PolymorphicProxySerializer
from rest_framework import serializers

from billing.api.amounts import Amount
from billing.api.documents import CreditNoteShown, DocumentShown, InvoiceShown
from billing.api.ledger import JournalEntryShown
from billing.api.parties import BillingProfileShown
from billing.api.payments import AllocationShown, PaymentShown
from billing.api.refunds import RefundShown

ETAG_HELP = "Of the version: send it in If-Match, or in If-None-Match."


class ChangedTaxGroupShown(serializers.Serializer[Any]):
    """What is taxed in one way on a document, as it stands there: nothing need be reckoned again."""

    category = serializers.CharField(help_text="EN 16931, BT-118.")
    rate = serializers.CharField(help_text="In percent.")
    jurisdiction = serializers.CharField()
    name = serializers.CharField()
    reason = serializers.CharField(help_text="Why there is no tax, or empty.")
    base = Amount()
    tax = Amount()


class DocumentLinksShown(serializers.Serializer[Any]):
    """Addresses; null for a debt of the books before, and for the UBL where there is none."""

    self = serializers.CharField(allow_null=True)
    lines = serializers.CharField(allow_null=True)
    ubl = serializers.CharField(
        allow_null=True, help_text="Also answered at `self` for Accept: application/xml."
    )


class _DocumentTold(DocumentShown):
    """A document as it was issued, without its lines."""

    minor_units = serializers.IntegerField(help_text="The decimals of its currency, ISO 4217.")
    cash_rounding = Amount(help_text="What the total was rounded by, EN 16931, BT-114.")
    payable = Amount(help_text="What is to be paid, or is given back: the total with its rounding.")
    rounding_policy = serializers.CharField(help_text="By name.")
    tax_groups = ChangedTaxGroupShown(many=True)
    corrects = serializers.UUIDField(
        allow_null=True, help_text="The invoice that a credit note gives back of."
    )
    links = DocumentLinksShown()
    etag = serializers.CharField(help_text=ETAG_HELP)


class InvoiceTold(_DocumentTold, InvoiceShown):
    kind = serializers.ChoiceField(["invoice"])


class OpeningTold(_DocumentTold):
    """A debt that was open when the operator joined."""

    kind = serializers.ChoiceField(["opening"])


class CreditNoteTold(_DocumentTold, CreditNoteShown):
    kind = serializers.ChoiceField(["credit_note"])
    allocations = AllocationShown(many=True, help_text="What it settles and settled, as a payment's do.")
    refunded = Amount(help_text="What of it was paid back.")
    left = Amount(help_text="What it may still settle.")


class JournalEntryTold(JournalEntryShown):
    id = serializers.UUIDField()
    etag = serializers.CharField(help_text=ETAG_HELP)


class PaymentTold(PaymentShown):
    etag = serializers.CharField(help_text=ETAG_HELP)


class RefundTold(RefundShown):
    etag = serializers.CharField(help_text=ETAG_HELP)


class ProfileTold(BillingProfileShown):
    """What billing knows of a customer, beside whom it stands; one it was told nothing of has the usual values."""

    customer = None  # type: ignore[assignment]


class CustomerTold(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    country = serializers.CharField(help_text="ISO 3166-1 alpha-2.")
    billing_email = serializers.CharField()
    address = serializers.CharField()
    billing_profile = ProfileTold()
    external_ids = serializers.DictField(
        child=serializers.CharField(), help_text="What programs call it, by the word of each program."
    )
    etag = serializers.CharField(help_text=ETAG_HELP)


class _Told(serializers.Serializer[Any]):
    """A thing that changed, as it stands now."""

    id = serializers.UUIDField()
    version = serializers.IntegerField(help_text="How often it changed: from 1 on, and never lower again.")
    gone = serializers.BooleanField(help_text="It is no longer there, and `object` is null.")
    changed_at = serializers.DateTimeField()
    token = serializers.CharField(help_text="To read on from behind this change.")


class CustomerChange(_Told):
    kind = serializers.ChoiceField(["customer"])
    object = CustomerTold(allow_null=True)


class InvoiceChange(_Told):
    kind = serializers.ChoiceField(["invoice"])
    object = InvoiceTold(allow_null=True)


class CreditNoteChange(_Told):
    kind = serializers.ChoiceField(["credit_note"])
    object = CreditNoteTold(allow_null=True)


class OpeningChange(_Told):
    kind = serializers.ChoiceField(["opening"])
    object = OpeningTold(allow_null=True)


class JournalEntryChange(_Told):
    kind = serializers.ChoiceField(["journal_entry"])
    object = JournalEntryTold(allow_null=True)


class PaymentChange(_Told):
    kind = serializers.ChoiceField(["payment"])
    object = PaymentTold(allow_null=True)


class RefundChange(_Told):
    kind = serializers.ChoiceField(["refund"])
    object = RefundTold(allow_null=True)


ACCOUNTING_CHANGES = PolymorphicProxySerializer(
    component_name="AccountingChange",
    serializers={
        "customer": CustomerChange,
        "invoice": InvoiceChange,
        "credit_note": CreditNoteChange,
        "opening": OpeningChange,
        "journal_entry": JournalEntryChange,
        "payment": PaymentChange,
        "refund": RefundChange,
    },
    resource_type_field_name="kind",
    many=True,
)
