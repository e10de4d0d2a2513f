"""Codes that open a site, for the phone of the crew that goes there. No program may ask for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet
from django.views.decorators.debug import sensitive_variables
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import queries as accounts
from accounts.doors import OperatorView, RowsView
from accounts.permissions import Permission
from servicing.commands.entries import Shown, show_code
from servicing.models import EntrySecret
from servicing.queries import entries


@dataclass(frozen=True, slots=True)
class Line:
    id: UUID
    label: str
    set_at: datetime
    is_open: bool


class EntryCodeShown(serializers.Serializer[Line]):
    id = serializers.UUIDField()
    label = serializers.CharField(help_text="What it opens, such as: Key box.")  # type: ignore[assignment]  # a field
    set_at = serializers.DateTimeField()
    is_open = serializers.BooleanField(
        help_text="Whether it may be shown now: the crew has a visit planned here for today, by the site's zone."
    )


class EntryShowingShown(serializers.Serializer[Shown]):
    id = serializers.UUIDField(help_text="Of the code.")
    label = serializers.CharField()  # type: ignore[assignment]  # a field
    code = serializers.CharField(help_text="Keep it only while it is on the screen, and in no log.")
    day = serializers.DateField(help_text="Of the planned visit that it is shown for.")
    shown_at = serializers.DateTimeField()


class SiteEntryCodes(RowsView):
    """What is kept to open a site with: labels alone, never a code."""

    permissions = {"GET": Permission.ENTRIES_SHOW}
    serializer_class = EntryCodeShown
    ordering = ("id",)

    def rows(self) -> QuerySet[EntrySecret]:
        return entries.codes_of(accounts.get_site(self.kwargs["site_id"]).id).order_by("id")

    def shown(self, page: Sequence[EntrySecret]) -> Sequence[Line]:
        site = accounts.get_site(self.kwargs["site_id"])
        is_open = entries.visit_on(self.actor, site) is not None
        return [Line(row.id, row.label, row.set_at, is_open) for row in page]


class EntryCodeShowings(OperatorView):
    permissions = {"POST": Permission.ENTRIES_SHOW}
    # An answer that is kept would hold the code. Sent again it shows the same code again, and each showing is noted.
    keyless = True
    serializer_class = EntryShowingShown
    http_method_names = ["post"]

    @extend_schema(request=None, responses={201: EntryShowingShown})
    @sensitive_variables("shown")
    def post(self, request: Request, site_id: UUID, entry_code_id: UUID) -> Response:
        """Have a code shown, on the day and to the crew that has a visit planned at the site. Each showing is noted.

        A crew is shown at most 30 a day.
        """
        shown = show_code(actor=self.actor, site_id=site_id, code_id=entry_code_id)
        return Response(EntryShowingShown(shown).data, status=201)
