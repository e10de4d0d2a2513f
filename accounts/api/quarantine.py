"""Work that failed at every attempt, for programs that watch over it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.commands import quarantine as commands
from accounts.doors import OperatorView, RowsView
from accounts.jobs import Job
from accounts.permissions import Permission
from accounts.queries import quarantine as queries
from accounts.queries.quarantine import Failed


class FailedShown(serializers.Serializer[Failed]):
    id = serializers.UUIDField(source="job.id")
    kind = serializers.CharField(source="job.kind", help_text="A fixed name of what it does.")
    title = serializers.CharField(help_text="The same in words.")
    about = serializers.CharField(allow_blank=True, help_text="What it is about, as far as that has a name.")
    run_at = serializers.DateTimeField(source="job.run_at", help_text="When it was to be done.")
    attempts = serializers.IntegerField(source="job.attempts")
    quarantined_at = serializers.DateTimeField(
        source="job.quarantined_at", help_text="When it was put aside."
    )
    last_error = serializers.CharField(
        source="said",
        allow_blank=True,
        help_text="One line; empty when it ended in the middle and could say nothing.",
    )


class DecidedShown(serializers.Serializer[Job]):
    id = serializers.UUIDField()
    kind = serializers.CharField()
    run_at = serializers.DateTimeField(help_text="When it was to be done; it is due at once if that is past.")
    given_up_at = serializers.DateTimeField(allow_null=True)


class QuarantineFilter(filters.FilterSet):
    kind = filters.CharFilter("kind")


class Quarantine(RowsView):
    """What failed five times and waits for a decision, in the order in which it was put aside."""

    permissions = {"GET": Permission.OPERATOR_MANAGE}
    http_method_names = ["get", "head"]
    serializer_class = FailedShown
    filterset_class = QuarantineFilter
    ordering = ("quarantined_at", "id")

    def rows(self) -> QuerySet[Job]:
        return queries.quarantined()

    def shown(self, page: Sequence[Any]) -> Sequence[Failed]:
        return queries.in_words(page)


class QuarantineReplay(OperatorView):
    """Work that failed, tried again."""

    permissions = {"POST": Permission.OPERATOR_MANAGE}
    http_method_names = ["post"]
    serializer_class = DecidedShown

    @extend_schema(request=None, responses={200: DecidedShown})
    def post(self, request: Request, job_id: UUID) -> Response:
        """Have it tried again at once, with all its attempts."""
        return Response(DecidedShown(commands.replay(actor=self.actor, job_id=job_id)).data)


class QuarantineGivingUp(OperatorView):
    """Work that failed, given up."""

    permissions = {"POST": Permission.OPERATOR_MANAGE}
    http_method_names = ["post"]
    serializer_class = DecidedShown

    @extend_schema(request=None, responses={200: DecidedShown})
    def post(self, request: Request, job_id: UUID) -> Response:
        """Have it not done at all. It can't be taken back."""
        return Response(DecidedShown(commands.give_up(actor=self.actor, job_id=job_id)).data)
