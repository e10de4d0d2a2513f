"""The API of what a program of the accounts calls our rows and our accounts in its own books."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, Sent, add_sent, one_or_many, sent_by
from accounts.errors import pointing_at_one
from accounts.languages import _
from accounts.permissions import Permission
from billing.commands.account_maps import MOST_ACCOUNT, MOST_NAME, map_account, unmap_account
from billing.commands.naming import (
    MOST_EXTERNAL_ID,
    MOST_SYSTEM,
    NewName,
    remove_external_id,
    set_external_id,
    set_external_ids,
)
from billing.models import AccountMapping, ExternalId
from billing.models.feed import NAMED_KINDS
from billing.queries import naming
from billing.rules.chart import Account
from billing.rules.vocabulary import ACCOUNTS

SYSTEM = "The word that the program chose for itself: letters, digits, dots and dashes."
SYSTEM_ASKED = OpenApiParameter("system", str, description=f"Whose mapping to show. {SYSTEM}")
ENTITY_ASKED = OpenApiParameter(
    "legal_entity", str, description="The code of the one that it holds for; left out, what holds for all."
)
WRITES = ["get", "head", "put", "delete"]


class NameSent(Sent):
    external_id = serializers.CharField(
        max_length=MOST_EXTERNAL_ID,
        trim_whitespace=False,
        help_text="What the program calls it, once a kind.",
    )


class NewNameSent(NameSent):
    system = serializers.CharField(max_length=MOST_SYSTEM, help_text=SYSTEM)
    kind = serializers.ChoiceField(NAMED_KINDS)
    id = serializers.UUIDField(help_text="Our id of it.")


class NameShown(serializers.Serializer[ExternalId]):
    system = serializers.CharField(help_text=SYSTEM)
    kind = serializers.ChoiceField(NAMED_KINDS)
    id = serializers.UUIDField(source="object_id", help_text="Our id of it.")
    external_id = serializers.CharField()
    set_at = serializers.DateTimeField()


class NameFilter(filters.FilterSet):
    system = filters.CharFilter("system")
    kind = filters.ChoiceFilter(choices=[(kind, kind) for kind in NAMED_KINDS])
    id = filters.UUIDFilter("object_id", help_text="Our id of it.")
    external_id = filters.CharFilter("external_id")


class ExternalIds(RowsView):
    """What programs call our rows, in the order they were named."""

    permissions = {"GET": Permission.BOOKS_MAP, "POST": Permission.BOOKS_MAP}
    serializer_class = NameShown
    filterset_class = NameFilter
    ordering = ("id",)

    def rows(self) -> QuerySet[ExternalId]:
        return naming.external_ids()

    @extend_schema(request=one_or_many(NewNameSent), responses={201: one_or_many(NameShown)}, filters=False)
    def post(self, request: Request) -> Response:
        """Name rows, up to 1000 at a time, or name them anew: all or none. The same again changes nothing."""
        return add_sent(request, NewNameSent, NameShown, self._set)

    def _set(self, rows: list[dict[str, Any]]) -> Sequence[Any]:
        names = [NewName(row["system"], row["kind"], row["id"], row["external_id"]) for row in rows]
        return set_external_ids(actor=self.actor, names=names)


class ExternalIdDoor(OperatorView):
    permissions = dict.fromkeys(("GET", "PUT", "DELETE"), Permission.BOOKS_MAP)
    serializer_class = NameShown
    http_method_names = WRITES

    @extend_schema(responses={200: NameShown})
    def get(self, request: Request, system: str, kind: str, object_id: Any) -> Response:
        """What a program calls a row."""
        with tenancy.reading(self.actor):
            row = naming.get_external_id(system, kind, object_id)
        return Response(self.get_serializer(row).data)

    @extend_schema(request=NameSent, responses={200: NameShown})
    def put(self, request: Request, system: str, kind: str, object_id: Any) -> Response:
        """Say what a program calls a row, or say it anew. The same again changes nothing."""
        name = NewName(system, kind, object_id, sent_by(request, NameSent)["external_id"])
        with pointing_at_one():
            row = set_external_id(actor=self.actor, name=name)
        return Response(self.get_serializer(row).data)

    @extend_schema(responses={204: None})
    def delete(self, request: Request, system: str, kind: str, object_id: Any) -> Response:
        """Forget what a program calls a row."""
        remove_external_id(actor=self.actor, system=system, kind=kind, object_id=object_id)
        return Response(status=204)


class MappingSent(Sent):
    external_account = serializers.CharField(
        max_length=MOST_ACCOUNT, trim_whitespace=False, help_text="Its number in the program's books."
    )
    external_name = serializers.CharField(
        max_length=MOST_NAME, required=False, allow_blank=True, trim_whitespace=False
    )


class MappingShown(serializers.Serializer[AccountMapping]):
    system = serializers.CharField(help_text=SYSTEM)
    account = serializers.CharField(help_text="Its number in our ledger.")
    legal_entity = serializers.CharField(
        source="legal_entity.code",
        default="",
        help_text="The code of the one that it holds for; empty for all.",
    )
    external_account = serializers.CharField()
    external_name = serializers.CharField()
    set_at = serializers.DateTimeField()


class MappingFilter(filters.FilterSet):
    system = filters.CharFilter("system")
    account = filters.CharFilter("account")
    legal_entity = filters.CharFilter("legal_entity__code", help_text="Its code.")


class AccountMappings(RowsView):
    """Which account of a program's books each of ours is, in the order they were mapped."""

    permissions = {"GET": Permission.BOOKS_MAP}
    serializer_class = MappingShown
    filterset_class = MappingFilter
    ordering = ("id",)

    def rows(self) -> QuerySet[AccountMapping]:
        return naming.mappings()


class AccountMappingDoor(OperatorView):
    permissions = dict.fromkeys(("GET", "PUT", "DELETE"), Permission.BOOKS_MAP)
    serializer_class = MappingShown
    http_method_names = WRITES

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"legal_entity"})

    @property
    def _entity(self) -> str:
        return self.request.query_params.get("legal_entity", "")

    @extend_schema(parameters=[ENTITY_ASKED], responses={200: MappingShown})
    def get(self, request: Request, system: str, account: str) -> Response:
        """What a program calls one of our accounts."""
        with tenancy.reading(self.actor):
            row = naming.get_mapping(system, account, self._entity)
        return Response(self.get_serializer(row).data)

    @extend_schema(parameters=[ENTITY_ASKED], request=MappingSent, responses={200: MappingShown})
    def put(self, request: Request, system: str, account: str) -> Response:
        """Say which account of the program's books one of ours is, or say it anew."""
        sent = sent_by(request, MappingSent)
        map_account(actor=self.actor, system=system, account=account, legal_entity=self._entity, **sent)
        return self.get(request, system, account)

    @extend_schema(parameters=[ENTITY_ASKED], responses={204: None})
    def delete(self, request: Request, system: str, account: str) -> Response:
        """Forget what a program calls one of our accounts."""
        unmap_account(actor=self.actor, system=system, account=account, legal_entity=self._entity)
        return Response(status=204)


class UsedAccountShown(serializers.Serializer[dict[str, Any]]):
    legal_entity = serializers.CharField(help_text="Its code; empty for the operator in its own name.")
    account = serializers.CharField(help_text="Its number.")
    purpose = serializers.ChoiceField(list(Account))
    name = serializers.CharField(help_text="What it is for, in words.")
    has_entries = serializers.BooleanField()
    external_account = serializers.CharField(
        help_text="What ``system`` calls it; empty if it calls it nothing."
    )
    external_name = serializers.CharField()


class UsedAccountsShown(serializers.Serializer[dict[str, Any]]):
    accounts = UsedAccountShown(many=True)


class UsedAccounts(OperatorView):
    """The accounts that entries stand on or may, by legal entity and number: what there is to map."""

    permissions = {"GET": Permission.JOURNAL_READ}
    serializer_class = UsedAccountsShown
    http_method_names = ["get", "head"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"system"})

    @extend_schema(parameters=[SYSTEM_ASKED])
    def get(self, request: Request) -> Response:
        with tenancy.reading(self.actor):
            used = naming.used_accounts()
            mapped = naming.mapped(request.query_params.get("system", ""))
        rows = [_account(one, mapped.of(one.entity_id, one.number)) for one in used]
        return Response(self.get_serializer({"accounts": rows}).data)


def _account(one: naming.UsedAccount, mapping: AccountMapping | None) -> dict[str, Any]:
    return {
        "legal_entity": one.entity_code,
        "account": one.number,
        "purpose": one.purpose,
        "name": _(ACCOUNTS[one.purpose]),
        "has_entries": one.has_entries,
        "external_account": mapping.external_account if mapping else "",
        "external_name": mapping.external_name if mapping else "",
    }
