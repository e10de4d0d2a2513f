"""A period's documents, money or journal as CSV, and the control totals that each file ends with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView
from accounts.errors import BadInput, Problem
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.api.amounts import Amount
from billing.api.days import day_asked, day_parameter
from billing.api.forms import CsvForm, JsonForm
from billing.api.ledger import ControlTotalShown
from billing.queries import ledger
from billing.queries.feed import export
from billing.queries.ledger import ENDLESS, EVER, Range
from billing.rules.documents import amount_text
from billing.rules.feed_export import documents_csv, money_csv
from billing.rules.journal_export import journal_csv

DAYS = (
    day_parameter("since", "The first day; left out, from the beginning."),
    day_parameter("until", "The last day; left out, all to come too."),
)


def _documents(actor: Actor, wanted: Range) -> Iterator[str]:
    return documents_csv(export.documents_through(actor, wanted))


def _money(actor: Actor, wanted: Range) -> Iterator[str]:
    return money_csv(export.money_through(actor, wanted))


def _journal(actor: Actor, wanted: Range) -> Iterator[str]:
    return journal_csv(ledger.read_through(actor, wanted))


# Each file with what its reader must be allowed to see.
FILES: dict[str, tuple[Permission, Callable[[Actor, Range], Iterator[str]]]] = {
    "documents": (Permission.INVOICES_READ, _documents),
    "payments": (Permission.PAYMENTS_READ, _money),
    "journal": (Permission.JOURNAL_READ, _journal),
}


class AccountingFile(OperatorView):
    permissions = {"GET": Permission.CHANGES_READ}
    recent = ("GET",)
    http_method_names = ["get", "head"]
    renderer_classes = [CsvForm, JsonForm]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"since", "until", "what"})

    @extend_schema(
        parameters=[
            *DAYS,
            OpenApiParameter(
                "what",
                {"type": "string", "enum": list(FILES), "default": "documents"},
                description="Issued documents with their taxes; payments with refunds and what they settle; or the journal.",
            ),
        ],
        responses={(200, "text/csv"): OpenApiTypes.STR},
    )
    def get(self, request: Request) -> StreamingHttpResponse:
        """A period as CSV after RFC 4180, its last records control totals: by kind and currency, how many and how much.

        The period is by the day of issue, of the money, or of the entry, both ends included. The same totals are
        answered by `accounting/totals`.
        """
        what = request.query_params.get("what", "documents")
        if what not in FILES:
            expected = _("Expected one of: {words}.", words=", ".join(FILES))
            raise BadInput(_("There is no such file."), errors=[Problem("/what", "invalid-choice", expected)])
        permission, file_of = FILES[what]
        require(self.actor, permission)
        wanted = _days(request)
        response = StreamingHttpResponse(file_of(self.actor, wanted), content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = f'attachment; filename="{what}.csv"'
        return response


class DocumentTotalShown(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(["invoice", "credit_note", "opening"])
    currency = serializers.CharField()
    documents = serializers.IntegerField()
    net = Amount()
    tax = Amount()
    total = Amount()
    cash_rounding = Amount()
    payable = Amount()


class MoneyTotalShown(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(["payment", "refund", "return", "allocation"])
    currency = serializers.CharField()
    rows = serializers.IntegerField()
    amount = Amount()


class AccountingTotalsShown(serializers.Serializer[Any]):
    documents = DocumentTotalShown(
        many=True, allow_null=True, help_text="Null where you may not read documents."
    )
    payments = MoneyTotalShown(many=True, allow_null=True, help_text="Null where you may not read payments.")
    journal = ControlTotalShown(
        many=True, allow_null=True, help_text="Null where you may not read the journal."
    )


class AccountingTotals(OperatorView):
    permissions = {"GET": Permission.CHANGES_READ}
    serializer_class = AccountingTotalsShown
    http_method_names = ["get", "head"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"since", "until"})

    @extend_schema(parameters=[*DAYS])
    def get(self, request: Request) -> Response:
        """What a period comes to, by kind and currency: to hold your own books, or a file, against."""
        wanted = _days(request)
        shown: dict[str, Any] = dict.fromkeys(FILES)
        with tenancy.operator_scope(
            self.actor.operator_id, read_only=True, one_snapshot_of=("billing_document",)
        ):
            for what, (permission, _file) in FILES.items():
                if self.actor.may(permission):
                    shown[what] = _TOTALS[what](wanted)
        return Response(self.get_serializer(shown).data)


def _document_totals(wanted: Range) -> list[dict[str, Any]]:
    sums = ("net", "tax", "total", "cash_rounding", "payable")
    return [
        {
            "kind": kind,
            "currency": currency,
            "documents": total.documents,
            **{name: amount_text(getattr(total, name), currency) for name in sums},
        }
        for (kind, currency), total in export.document_totals(wanted).items()
    ]


def _money_totals(wanted: Range) -> list[dict[str, Any]]:
    return [
        {
            "kind": kind,
            "currency": currency,
            "rows": total.rows,
            "amount": amount_text(total.amount, currency),
        }
        for (kind, currency), total in export.money_totals(wanted).items()
    ]


def _journal_totals(wanted: Range) -> list[dict[str, Any]]:
    return [
        {
            "currency": one.currency,
            "entries": one.entries,
            "debit": amount_text(one.debit, one.currency),
            "credit": amount_text(one.credit, one.currency),
        }
        for one in ledger.control_totals(wanted)
    ]


_TOTALS: dict[str, Callable[[Range], list[dict[str, Any]]]] = {
    "documents": _document_totals,
    "payments": _money_totals,
    "journal": _journal_totals,
}


def _days(request: Request) -> Range:
    return Range(day_asked(request, "since") or EVER, day_asked(request, "until") or ENDLESS)
