"""Long work: how far it is, what became of it, and cancelling it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.commands import work as commands
from accounts.doors import OperatorView, RowsView, RowView
from accounts.doors.later import WorkShown
from accounts.models import LongWork
from accounts.permissions import Permission
from accounts.queries import work as queries
from accounts.queries.work import Shown


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

        What it had done is gone, but for the units and opening states that an import of units has stored by then. 409 when
        it has ended; cancelled twice is as once.
        """
        commands.cancel(actor=self.actor, work_id=work_id)
        with tenancy.reading(self.actor):
            shown = queries.shown([queries.get_work(self.actor, work_id)])[0]
        return Response(self.get_serializer(shown).data)
