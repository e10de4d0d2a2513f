"""The API of the journal: its entries a page at a time, whole as CSV, and what they come to."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django.http import StreamingHttpResponse
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView
from accounts.permissions import Permission
from billing.api.amounts import Amount
from billing.api.days import day_asked, day_parameter
from billing.api.forms import CsvForm, JsonForm
from billing.models import JournalEntry
from billing.queries import ledger
from billing.queries.ledger import ENDLESS, EVER, Range
from billing.rules.documents import amount_text
from billing.rules.journal_export import EntryShown, journal_csv
from billing.rules.ledger import Purpose

DAYS = (
    day_parameter("entry_from", "Entries dated on this day or later."),
    day_parameter("entry_to", "Entries dated on this day or earlier."),
)
SYSTEM_ASKED = OpenApiParameter(
    "system",
    str,
    description="A word that a program chose for itself: show its own numbers of the accounts too.",
)


class JournalLineShown(serializers.Serializer[dict[str, Any]]):
    line = serializers.IntegerField()
    account = serializers.CharField()
    external_account = serializers.CharField(
        default="", help_text="What the program named by ``system`` calls it; else empty."
    )
    site = serializers.CharField(help_text="Its code, or empty.")
    jurisdiction = serializers.CharField(help_text="Of a tax, else empty.")
    debit = Amount()
    credit = Amount()


class JournalEntryShown(serializers.Serializer[dict[str, Any]]):
    ordinal = serializers.IntegerField(help_text="From 1 on without a gap, in the order they were made.")
    key = serializers.CharField(help_text="Made of what is booked and why: the same entry always has it.")
    purpose = serializers.ChoiceField(list(Purpose))
    entry_on = serializers.DateField()
    legal_entity = serializers.CharField(help_text="Its code; empty for the operator in its own name.")
    customer = serializers.CharField(help_text="Its code, or empty.")
    document = serializers.CharField(help_text="Its number, or empty.")
    payment = serializers.CharField(help_text="Its id, or empty.")
    refund = serializers.CharField(help_text="The id of the refund or returned payment, or empty.")
    text = serializers.CharField()
    currency = serializers.CharField()
    lines = JournalLineShown(many=True)


class ControlTotalShown(serializers.Serializer[dict[str, Any]]):
    currency = serializers.CharField()
    entries = serializers.IntegerField()
    debit = Amount()
    credit = Amount()


class JournalTotalsShown(serializers.Serializer[dict[str, Any]]):
    totals = ControlTotalShown(many=True, help_text="One for each currency.")


class BalanceShown(serializers.Serializer[dict[str, Any]]):
    legal_entity = serializers.CharField(help_text="Its code; empty for the operator in its own name.")
    account = serializers.CharField()
    currency = serializers.CharField()
    debit = Amount()
    credit = Amount()
    balance = Amount(help_text="Debit less credit.")


class BalancesShown(serializers.Serializer[dict[str, Any]]):
    balances = BalanceShown(many=True)


class JournalFilter(filters.FilterSet):
    entry_from = filters.DateFilter("entry_on", lookup_expr="gte")
    entry_to = filters.DateFilter("entry_on", lookup_expr="lte")
    purpose = filters.ChoiceFilter(choices=[(str(one), str(one)) for one in Purpose])
    customer = filters.UUIDFilter("customer_id")
    document = filters.CharFilter("document__number", help_text="A document's number.")


@extend_schema_view(get=extend_schema(parameters=[SYSTEM_ASKED]))
class JournalEntries(RowsView):
    """The journal in double entry, in the order the entries were made. Debit and credit of each are equal."""

    permissions = {"GET": Permission.JOURNAL_READ}
    serializer_class = JournalEntryShown
    filterset_class = JournalFilter
    ordering = ("ordinal",)

    def query_names(self, method: str) -> frozenset[str]:
        return super().query_names(method) | {"system"}

    def rows(self) -> QuerySet[JournalEntry]:
        return ledger.entries()

    def shown(self, page: Sequence[JournalEntry]) -> Sequence[Any]:
        return [_entry(entry) for entry in ledger.shown(page, _system(self.request))]


class JournalTotals(OperatorView):
    """How many entries the journal has, and their debit and credit: to hold an export against."""

    permissions = {"GET": Permission.JOURNAL_READ}
    serializer_class = JournalTotalsShown
    http_method_names = ["get", "head"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"entry_from", "entry_to"})

    @extend_schema(parameters=[*DAYS])
    def get(self, request: Request) -> Response:
        wanted = _range(request)
        with tenancy.reading(self.actor):
            totals = ledger.control_totals(wanted)
        rows = [
            {"currency": one.currency, "entries": one.entries, **_sides(one, one.currency)} for one in totals
        ]
        return Response(self.get_serializer({"totals": rows}).data)


class JournalFile(OperatorView):
    permissions = {"GET": Permission.JOURNAL_READ}
    recent = ("GET",)
    http_method_names = ["get", "head"]
    renderer_classes = [CsvForm, JsonForm]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"entry_from", "entry_to", "system"})

    @extend_schema(parameters=[*DAYS, SYSTEM_ASKED], responses={(200, "text/csv"): OpenApiTypes.STR})
    def get(self, request: Request) -> StreamingHttpResponse:
        """The journal as CSV after RFC 4180: a record for each line, and one of control totals for each currency."""
        entries = ledger.read_through(self.actor, _range(request), _system(request))
        response = StreamingHttpResponse(journal_csv(entries), content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = 'attachment; filename="journal.csv"'
        return response


class AccountBalances(OperatorView):
    """What each account of the ledger stands at, by legal entity and currency."""

    permissions = {"GET": Permission.JOURNAL_READ}
    serializer_class = BalancesShown
    http_method_names = ["get", "head"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"at"})

    @extend_schema(parameters=[day_parameter("at", "With the entries dated up to this day; left out, all.")])
    def get(self, request: Request) -> Response:
        at = day_asked(request, "at")
        with tenancy.reading(self.actor):
            rows = ledger.balances(until=at or ENDLESS)
        balances = [
            {
                "legal_entity": one.entity_code,
                "account": one.account,
                "currency": one.currency,
                **_sides(one, one.currency),
                "balance": amount_text(one.balance, one.currency),
            }
            for one in rows
        ]
        return Response(self.get_serializer({"balances": balances}).data)


def _system(request: Request) -> str:
    return request.query_params.get("system", "")


def _range(request: Request) -> Range:
    return Range(day_asked(request, "entry_from") or EVER, day_asked(request, "entry_to") or ENDLESS)


def _sides(one: Any, currency: str) -> dict[str, str]:
    return {"debit": amount_text(one.debit, currency), "credit": amount_text(one.credit, currency)}


def _entry(entry: EntryShown) -> dict[str, Any]:
    lines = [
        {
            "line": line.line,
            "account": line.account,
            "external_account": line.external_account,
            "site": line.site,
            "jurisdiction": line.jurisdiction,
            **_sides(line, entry.currency),
        }
        for line in entry.lines
    ]
    fields = {one.name: getattr(entry, one.name) for one in dataclasses.fields(entry)}
    return {**fields, "lines": lines}
