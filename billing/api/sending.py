"""The API of what was mailed to customers, and of mailing it again."""

from __future__ import annotations

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import RowsView, Sent, sent_by
from accounts.permissions import Permission
from billing.commands.sending import send_again, send_statement
from billing.models import Sending
from billing.queries import sending


class SendingShown(serializers.Serializer[Sending]):
    id = serializers.UUIDField()
    customer = serializers.UUIDField(source="customer_id")
    document = serializers.CharField(source="document.number", default=None, allow_null=True)
    kind = serializers.ChoiceField(Sending.KINDS)
    step = serializers.IntegerField(help_text="Of a reminder: which one, from 1; else 0.")
    to = serializers.CharField()
    subject = serializers.CharField()
    owed_at = serializers.DateTimeField()
    sent_at = serializers.DateTimeField(allow_null=True)
    read_at = serializers.DateTimeField(allow_null=True, help_text="When its link was first opened.")
    failed = serializers.CharField(help_text="Why it was not sent; empty while it waits or once it is sent.")


class DocumentSendingSent(Sent):
    document = serializers.CharField(max_length=40, help_text="The number of an issued document.")
    to = serializers.EmailField(
        max_length=254, required=False, help_text="Left out: the customer's own address."
    )


class StatementSendingSent(Sent):
    customer = serializers.UUIDField()
    since = serializers.DateField()
    until = serializers.DateField(help_text="The last day of the statement.")
    to = serializers.EmailField(
        max_length=254, required=False, help_text="Left out: the customer's own address."
    )


class SendingFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    document = filters.CharFilter("document__number", help_text="Its number.")
    kind = filters.ChoiceFilter(choices=[(kind, kind) for kind in Sending.KINDS])
    failed = filters.BooleanFilter(method="by_failed", help_text="Not sent, and not tried again.")

    def by_failed(self, rows: QuerySet[Sending], name: str, value: bool) -> QuerySet[Sending]:  # noqa: FBT001
        return rows.exclude(failed="") if value else rows.filter(failed="")


class Sendings(RowsView):
    """What was mailed to customers or waits to be, the latest first."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.DOCUMENTS_SEND}
    serializer_class = SendingShown
    filterset_class = SendingFilter
    ordering = ("-id",)

    def rows(self) -> QuerySet[Sending]:
        return sending.sendings()

    @extend_schema(request=DocumentSendingSent, responses={201: SendingShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Mail a document again."""
        sent = sent_by(request, DocumentSendingSent)
        made = send_again(actor=self.actor, number=sent["document"], to=sent.get("to", ""))
        return Response(SendingShown(made).data, status=201)


class StatementSendings(RowsView):
    """The statements of account that were mailed."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.DOCUMENTS_SEND}
    serializer_class = SendingShown
    ordering = ("-id",)

    def rows(self) -> QuerySet[Sending]:
        return sending.sendings().filter(kind="statement")

    @extend_schema(request=StatementSendingSent, responses={201: SendingShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Mail a customer's statement of account."""
        sent = sent_by(request, StatementSendingSent)
        made = send_statement(
            actor=self.actor,
            customer_id=sent["customer"],
            since=sent["since"],
            until=sent["until"],
            to=sent.get("to", ""),
        )
        return Response(SendingShown(made).data, status=201)
