"""Long work: how far it is, what became of it, and cancelling it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.commands import work as commands
from accounts.doors import OperatorView, RowsView, RowView
from accounts.jobs.kinds import KINDS
from accounts.models import LongWork
from accounts.permissions import Permission
from accounts.queries import work as queries
from accounts.queries.work import STATES, Shown


class WorkShown(serializers.Serializer[Shown]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField([kind.word for kind in KINDS.values()], source="word")
    about = serializers.CharField(source="ref", help_text="Of a month its name, such as 2026-06.")
    state = serializers.ChoiceField(
        STATES,
        help_text="`failed` without `ended_at`: it was tried often enough, and waits for a person to have it tried again.",
    )
    done = serializers.IntegerField(help_text="Steps done.")
    of = serializers.IntegerField(help_text="Steps in all; 0 until it is known.")
    said = serializers.CharField(help_text="Why it was refused, in the operator's language; else empty.")
    asked_by = serializers.CharField(source="asked_name")
    asked_at = serializers.DateTimeField()
    begun_at = serializers.DateTimeField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    result = serializers.JSONField(
        help_text="What came of it so far. Of a month: `id`, that of the close or of the preview."
    )


class Works(RowsView):
    permissions = {"GET": Permission.WORK_READ}
    serializer_class = WorkShown
    ordering = ("-asked_at", "-id")
    http_method_names = ["get", "head"]

    def rows(self) -> QuerySet[LongWork]:
        return queries.works(self.actor)

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        return queries.shown(page)


class WorkDoor(RowView):
    permissions = {"GET": Permission.WORK_READ}
    serializer_class = WorkShown
    http_method_names = ["get", "head"]

    def row(self, **names: Any) -> Shown:
        return queries.shown([queries.get_work(self.actor, names["work_id"])])[0]


class WorkCancel(OperatorView):
    permissions = {"POST": Permission.WORK_READ}
    serializer_class = WorkShown
    http_method_names = ["post"]

    @extend_schema(request=None, responses={200: WorkShown})
    def post(self, request: Request, work_id: UUID) -> Response:
        """Cancel a piece of long work: at once when no worker is at it, else in a moment.

        Whatever it had made is gone. 409 when it has ended; cancelled twice is as once.
        """
        commands.cancel(actor=self.actor, work_id=work_id)
        with tenancy.reading(self.actor):
            shown = queries.shown([queries.get_work(self.actor, work_id)])[0]
        return Response(self.get_serializer(shown).data)
