"""The API of bank files: looking at one, taking it in, and settling by hand what did not match."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import IO, Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, RowView, Sent, sent_by
from accounts.permissions import Permission
from billing.api.bank_shapes import (
    STATES,
    BankEntryShown,
    BankFileShown,
    BankStatementShown,
    shown_entries,
    shown_file,
    shown_statements,
)
from billing.api.payments import AllocationSent
from billing.commands import bank_files
from billing.commands.bank_files import MOST_FILE_NAME, MOST_REASON, BankFile
from billing.models import BankEntry, BankStatement
from billing.queries.bank import entries
from billing.rules.bank.camt import MOST_BYTES

XML_TYPES = ("application/xml", "text/xml")
# Declared as bytes: the file says itself in which encoding its text is.
_BODY = {kind: {"type": "string", "format": "binary"} for kind in XML_TYPES}


class XmlBytes(BaseParser):
    """The body as it is, a byte more than allowed at most: that tells one that is too long."""

    media_type = "application/xml"

    def parse(  # type: ignore[override]
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> bytes:
        return bytes(stream.read(MOST_BYTES + 1))


class TextXmlBytes(XmlBytes):
    media_type = "text/xml"


class BankFileSaid(Sent):
    """What the address says of the file in the body."""

    legal_entity = serializers.CharField(
        max_length=10,
        required=False,
        help_text="The code of whose account it is, where no legal entity has noted it as its own.",
    )
    name = serializers.CharField(
        max_length=MOST_FILE_NAME, required=False, help_text="What the file is called, for people."
    )


class AssignmentSent(Sent):
    customer = serializers.UUIDField(required=False, help_text="Not needed where a document says it.")
    allocations = AllocationSent(many=True, required=False, help_text="What it settles; the rest is kept.")


class AsideSent(Sent):
    reason = serializers.CharField(max_length=MOST_REASON)


class EntryReturnSent(Sent):
    payment = serializers.UUIDField(help_text="The payment that the bank took back, whole.")


class _FileDoor(OperatorView):
    permissions = {"POST": Permission.PAYMENTS_RECORD}
    serializer_class = BankFileShown
    parser_classes = [XmlBytes, TextXmlBytes]
    http_method_names = ["post"]
    most_body = MOST_BYTES

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset(BankFileSaid().fields)

    def file(self, request: Request) -> BankFile:
        said = BankFileSaid(data=request.query_params.dict())
        said.is_valid(raise_exception=True)
        content = request.data if isinstance(request.data, bytes) else b""
        return BankFile(content, **said.validated_data)


class BankFilePreviews(_FileDoor):
    keyless = True  # nothing is stored, however often it is sent

    @extend_schema(request=_BODY, parameters=[BankFileSaid], responses={200: BankFileShown})
    def post(self, request: Request) -> Response:
        """What would become of each entry of a file (ISO 20022 camt.053, up to 5 MiB), were it taken in now. Nothing is stored.

        A file that is no camt.053, or whose opening balance and entries do not make its closing balance, is refused.
        """
        file = self.file(request)
        looks = bank_files.preview_bank_file(actor=self.actor, file=file)
        return Response(BankFileShown(shown_file(file, looks)).data)


class BankFiles(_FileDoor):
    needs_key = True

    @extend_schema(request=_BODY, parameters=[BankFileSaid], responses={201: BankFileShown})
    def post(self, request: Request) -> Response:
        """Take in a file (ISO 20022 camt.053, up to 5 MiB), and book the payments that name what they pay.

        Entries that were taken in before, with this or another file, are left as they are. What names no document waits
        as a bank entry in the state unmatched.
        """
        file = self.file(request)
        looks = bank_files.import_bank_file(actor=self.actor, file=file)
        return Response(BankFileShown(shown_file(file, looks)).data, status=201)


class BankStatementFilter(filters.FilterSet):
    account = filters.CharFilter("account")
    until_from = filters.DateFilter("until", lookup_expr="gte")
    until_to = filters.DateFilter("until", lookup_expr="lte")


class BankStatements(RowsView):
    """The statements that were taken in, in the order they were."""

    permissions = {"GET": Permission.PAYMENTS_READ}
    serializer_class = BankStatementShown
    filterset_class = BankStatementFilter
    ordering = ("id",)

    def rows(self) -> QuerySet[BankStatement]:
        return entries.bank_statements()

    def shown(self, page: Sequence[BankStatement]) -> Sequence[Any]:
        return shown_statements(page)


class BankStatementDoor(RowView):
    """One statement that was taken in."""

    permissions = {"GET": Permission.PAYMENTS_READ}
    serializer_class = BankStatementShown

    def row(self, bank_statement_id: Any) -> Any:  # type: ignore[override]
        return shown_statements([entries.get_bank_statement(bank_statement_id)])[0]


class BankEntryFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=[(state, state) for state in STATES])
    statement = filters.UUIDFilter("statement_id")
    account = filters.CharFilter("statement__account")
    booked_from = filters.DateFilter("booked_on", lookup_expr="gte")
    booked_to = filters.DateFilter("booked_on", lookup_expr="lte")


class BankEntries(RowsView):
    """What moved on the accounts, and what became of it; what did not match with what it may pay."""

    permissions = {"GET": Permission.PAYMENTS_READ}
    serializer_class = BankEntryShown
    filterset_class = BankEntryFilter
    ordering = ("statement_id", "ordinal")

    def rows(self) -> QuerySet[BankEntry]:
        return entries.bank_entries()

    def shown(self, page: Sequence[BankEntry]) -> Sequence[Any]:
        return shown_entries(page)


class BankEntryDoor(RowView):
    """One movement, and what became of it."""

    permissions = {"GET": Permission.PAYMENTS_READ}
    serializer_class = BankEntryShown

    def row(self, bank_entry_id: Any) -> Any:  # type: ignore[override]
        return shown_entries([entries.get_bank_entry(bank_entry_id)])[0]


class _Settling(OperatorView):
    permissions = {"POST": Permission.PAYMENTS_RECORD}
    serializer_class = BankEntryShown
    http_method_names = ["post"]
    needs_key = True

    def settled(self, entry: BankEntry) -> Response:
        with tenancy.reading(self.actor):
            data = shown_entries([entry])[0]
        return Response(BankEntryShown(data).data, status=201)


class BankEntryAssignment(_Settling):
    @extend_schema(request=AssignmentSent, responses={201: BankEntryShown})
    def post(self, request: Request, bank_entry_id: Any) -> Response:
        """Record an entry as the payment of a customer, or of whose documents it settles."""
        said = sent_by(request, AssignmentSent)
        allocations = [(row["document"], row["amount"]) for row in said.get("allocations", ())]
        entry = bank_files.assign_entry(
            actor=self.actor,
            entry_id=bank_entry_id,
            customer_id=said.get("customer"),
            allocations=allocations,
        )
        return self.settled(entry)


class BankEntryAside(_Settling):
    @extend_schema(request=AsideSent, responses={201: BankEntryShown})
    def post(self, request: Request, bank_entry_id: Any) -> Response:
        """Set an entry aside that is no payment of a customer, and say why. It may be assigned later."""
        reason = sent_by(request, AsideSent)["reason"]
        entry = bank_files.set_entry_aside(actor=self.actor, entry_id=bank_entry_id, reason=reason)
        return self.settled(entry)


class BankEntryReturn(_Settling):
    @extend_schema(request=EntryReturnSent, responses={201: BankEntryShown})
    def post(self, request: Request, outgoing_entry_id: Any) -> Response:
        """Let an entry that went out take a payment back: what that settled is open again."""
        payment_id = sent_by(request, EntryReturnSent)["payment"]
        entry = bank_files.return_entry(actor=self.actor, entry_id=outgoing_entry_id, payment_id=payment_id)
        return self.settled(entry)
