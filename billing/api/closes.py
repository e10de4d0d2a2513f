"""The API of closes of months and of charges."""

from __future__ import annotations

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import RowsView, Sent, later, sent_by
from accounts.permissions import Permission
from billing.api.amounts import AMOUNT
from billing.commands.closing import close_month
from billing.commands.month_jobs import owe_close
from billing.models import Charge, PeriodClose
from billing.queries import closes
from billing.rules.documents import amount_text
from billing.rules.invoicing import Kind
from billing.rules.rating import Rule


class MonthCloseShown(serializers.Serializer[PeriodClose]):
    id = serializers.UUIDField()
    month = serializers.DateField(help_text="The first day of the month.")
    cut_position = serializers.IntegerField(help_text="The last position of the log that was read for it.")
    closed_at = serializers.DateTimeField()
    closed_by = serializers.UUIDField(allow_null=True)
    issued_on = serializers.DateField()
    engine = serializers.CharField()
    inputs_sha256 = serializers.CharField()
    days_without_price = serializers.IntegerField()
    days_without_agreement = serializers.IntegerField()
    held = serializers.JSONField(
        help_text="What could not be invoiced yet, each with its reason; the next close takes it up."
    )


class MonthCloseSent(Sent):
    month = serializers.DateField(help_text="The first day of the month.")
    leave_held = serializers.BooleanField(
        required=False,
        default=False,
        help_text="Close although some lines are held; a later close takes them up.",
    )


class ChargeShown(serializers.Serializer[Charge]):
    id = serializers.UUIDField()
    key = serializers.CharField(help_text="The rows of a key sum to the charge as it stands.")
    kind = serializers.ChoiceField(list(Kind))
    rule = serializers.ChoiceField(list(Rule))
    clause = serializers.CharField(help_text="The rule of the contract or the list that it follows.")
    month = serializers.DateField(source="close.month", help_text="The month at whose close it was made.")
    customer = serializers.UUIDField(source="customer_id")
    site = serializers.UUIDField(source="site_id", allow_null=True)
    agreement = serializers.CharField(source="agreement_number")
    contract = serializers.CharField(source="contract_number", help_text="Empty: by the price list.")
    subject = serializers.UUIDField(source="subject_id")
    event = serializers.UUIDField(source="event_id", allow_null=True)
    item_code = serializers.CharField()
    item_name = serializers.CharField()
    unit_code = serializers.CharField()
    place = serializers.CharField()
    service_on = serializers.DateField()
    starts_on = serializers.DateField()
    ends_before = serializers.DateField()
    part = serializers.DecimalField(8, 1)
    whole = serializers.IntegerField()
    unit_price = serializers.DecimalField(20, 6)
    currency = serializers.CharField()
    amount = serializers.SerializerMethodField()
    tax_class = serializers.CharField()
    revenue_account = serializers.CharField(help_text="Empty: the usual one.")
    in_advance = serializers.BooleanField(help_text="Its days were still to come.")
    workings = serializers.DictField(help_text="The figures of its arithmetic, as texts and whole numbers.")

    @extend_schema_field(AMOUNT)
    def get_amount(self, charge: Charge) -> str:
        return amount_text(charge.amount, charge.currency)


class ChargeFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    site = filters.UUIDFilter("site_id")
    subject = filters.UUIDFilter("subject_id")
    event = filters.UUIDFilter("event_id")
    month = filters.DateFilter("close__month", help_text="The first day of the month.")
    open = filters.BooleanFilter(method="by_open", help_text="On no invoice yet.")

    def by_open(self, rows: QuerySet[Charge], name: str, value: bool) -> QuerySet[Charge]:  # noqa: FBT001
        waiting = closes.open_charges().order_by().values("id")
        return rows.filter(id__in=waiting) if value else rows.exclude(id__in=waiting)


class MonthCloses(RowsView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.INVOICES_ISSUE}
    recent = ("POST",)
    serializer_class = MonthCloseShown
    ordering = ("-month",)

    def rows(self) -> QuerySet[PeriodClose]:
        return closes.closes()

    @extend_schema(
        request=MonthCloseSent,
        responses={201: MonthCloseShown, 202: later.WorkShown},
        parameters=[later.PREFER],
        filters=False,
    )
    def post(self, request: Request) -> Response:
        """Close a month and issue its documents. It can't be done twice or undone.

        Refused while something is held, unless ``leave_held``: the refusal names it. A month of thousands of units is better
        closed by a worker: prefer ``respond-async``, and what the close would refuse stands in ``said`` of the work.
        """
        sent = sent_by(request, MonthCloseSent)
        if later.is_preferred(request):
            work = owe_close(actor=self.actor, month=sent["month"], leave_held=sent["leave_held"])
            return later.accepted(self.actor, work)
        close = close_month(actor=self.actor, month=sent["month"], leave_held=sent["leave_held"])
        return Response(MonthCloseShown(close).data, status=201)


class Charges(RowsView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = ChargeShown
    filterset_class = ChargeFilter
    ordering = ("id",)

    def rows(self) -> QuerySet[Charge]:
        return closes.charges()
