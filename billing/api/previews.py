"""The API of previews of a month's close, and of what to look at before it."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, Sent, later, sent_by
from accounts.errors import BadInput, Problem
from accounts.permissions import Permission
from billing.commands.month_jobs import owe_preview
from billing.commands.previewing import preview_month
from billing.models import Preview
from billing.queries import checking, previews
from billing.queries.checking import Check, Named


class MonthPreviewShown(serializers.Serializer[Preview]):
    id = serializers.UUIDField()
    month = serializers.DateField(help_text="The first day of the month.")
    cut_position = serializers.IntegerField()
    made_at = serializers.DateTimeField()
    made_by = serializers.UUIDField(allow_null=True)
    summary = serializers.JSONField(
        help_text=(
            "totals by customer, currency and rule; documents that would be issued; held; waiting; events by outcome; "
            "checks; since: what is other than in the preview before, null in the first."
        )
    )


class MonthPreviewSent(Sent):
    month = serializers.DateField(help_text="The first day of the month.")


class MonthPreviewFilter(filters.FilterSet):
    month = filters.DateFilter(help_text="The first day of the month.")


class MonthPreviews(RowsView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.INVOICES_ISSUE}
    serializer_class = MonthPreviewShown
    filterset_class = MonthPreviewFilter
    ordering = ("-made_at", "-id")

    def rows(self) -> QuerySet[Preview]:
        return previews.previews()

    @extend_schema(
        request=MonthPreviewSent,
        responses={201: MonthPreviewShown, 202: later.WorkShown},
        parameters=[later.PREFER],
        filters=False,
    )
    def post(self, request: Request) -> Response:
        """Try out the close of a month: its figures are kept, nothing is issued and no number is drawn.

        A month of thousands of units is better tried out by a worker: prefer ``respond-async``.
        """
        month = sent_by(request, MonthPreviewSent)["month"]
        if later.is_preferred(request):
            return later.accepted(self.actor, owe_preview(actor=self.actor, month=month))
        preview = preview_month(actor=self.actor, month=month)
        return Response(MonthPreviewShown(preview).data, status=201)


class NamedShown(serializers.Serializer[Named]):
    label = serializers.CharField()  # type: ignore[assignment]  # a name of DRF's own
    customer = serializers.CharField(help_text="Its code, or empty.")
    site = serializers.CharField(help_text="Its code, or empty.")
    unit = serializers.CharField(help_text="Its code, or empty.")


class CheckShown(serializers.Serializer[Check]):
    kind = serializers.CharField()
    stops = serializers.BooleanField(help_text="Lines are held back until it is settled.")
    count = serializers.IntegerField()
    sentence = serializers.CharField()
    rows = NamedShown(many=True, help_text="The first of them.")


class MonthChecklistShown(serializers.Serializer[dict[str, Any]]):
    month = serializers.DateField()
    checks = CheckShown(many=True)


class MonthChecklist(OperatorView):
    """What to look at before a month's documents are issued; what stops lines comes first."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = MonthChecklistShown
    http_method_names = ["get", "head"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"month"})

    @extend_schema(
        parameters=[
            OpenApiParameter(
                "month", OpenApiTypes.DATE, required=True, description="The first day of the month."
            )
        ]
    )
    def get(self, request: Request) -> Response:
        month = _month(request.query_params.get("month", ""))
        with tenancy.reading(self.actor):
            checks = checking.checklist(month)
        return Response(self.get_serializer({"month": month, "checks": checks}).data)


def _month(text: str) -> date:
    try:
        month = date.fromisoformat(text)
    except ValueError:
        month = date.min.replace(day=2)
    if month.day != 1:
        problem = Problem("/month", "month", "Give the month by its first day, such as 2026-06-01.")
        raise BadInput("The address has to say which month.", errors=[problem])
    return month
