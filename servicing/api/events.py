"""The log's doors: the upload, events in commit order, one event, and undoing it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import (
    PolymorphicProxySerializer,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
)
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, RowView, Sent, sent_by
from accounts.doors.instants import InstantFilter
from accounts.errors import BadInput, Problem
from accounts.permissions import Permission
from fleet import queries as fleet
from servicing.api.feed import BATCH_SCHEMA, CLOUDEVENTS, FEED_PARAMETERS, Feed
from servicing.commands.office import counter_event
from servicing.commands.uploads import MOST_EVENTS, Fate, upload_events
from servicing.events.types import EventType, Subject
from servicing.models import Event
from servicing.queries import events as log
from servicing.queries import standing
from servicing.queries.standing import StandingEvent

COUNTER_REASONS = ("wrong_unit", "wrong_entry", "not_done", "other")


class SubjectShown(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(list(Subject))
    id = serializers.UUIDField()


@extend_schema_serializer(component_name="EventSent")
class EventSent(serializers.Serializer[Any]):
    """One event as a phone or a program sends it; only documents the form: each event gets its own answer."""

    id = serializers.UUIDField(help_text="Made by the sender; sending it again changes nothing.")
    device_sequence = serializers.IntegerField(
        min_value=1, required=False, help_text="Phones only, and always: one more for each event."
    )
    type = serializers.ChoiceField(
        list(EventType), help_text="Of these unit.opened is taken only from whoever may manage the fleet."
    )
    schema_version = serializers.IntegerField(min_value=1, default=1)
    subject = SubjectShown()
    occurred_at = serializers.DateTimeField(help_text="With its offset from UTC.")
    member = serializers.UUIDField(required=False)
    visit = serializers.UUIDField(required=False)
    touch = serializers.UUIDField(required=False)
    corrects = serializers.UUIDField(required=False)
    payload = serializers.DictField(required=False, help_text="What the type says.")


class UploadSent(serializers.Serializer[Any]):
    events = serializers.ListField(child=EventSent(), max_length=MOST_EVENTS)


class ProblemShown(serializers.Serializer[Problem]):
    pointer = serializers.CharField(help_text="A JSON pointer (RFC 6901) into the event.")
    code = serializers.CharField()
    detail = serializers.CharField()


class FateShown(serializers.Serializer[Fate]):
    id = serializers.CharField(allow_null=True)
    fate = serializers.ChoiceField(["accepted", "duplicate", "conflict", "refused"])
    position = serializers.IntegerField(allow_null=True)
    code = serializers.CharField(help_text="Why, for conflict and refused.")
    detail = serializers.CharField()
    errors = ProblemShown(many=True)  # type: ignore[assignment]


class FatesShown(serializers.Serializer[Any]):
    fates = FateShown(many=True, help_text="One an event, in the order sent.")


class EventShown(serializers.Serializer[StandingEvent]):
    id = serializers.UUIDField(source="row.event_id")
    position = serializers.IntegerField(source="row.position")
    device = serializers.UUIDField(source="row.device_id")
    device_sequence = serializers.IntegerField(source="row.device_sequence")
    type = serializers.ChoiceField(list(EventType), source="row.type")
    schema_version = serializers.IntegerField()
    subject = serializers.SerializerMethodField()
    occurred_at = serializers.DateTimeField(source="row.occurred_at")
    received_at = serializers.DateTimeField(source="row.received_at")
    recorded_at = serializers.DateTimeField(source="row.recorded_at")
    actor_kind = serializers.CharField(source="row.actor_kind")
    actor = serializers.UUIDField(source="row.actor_id", allow_null=True)
    member = serializers.UUIDField(source="row.member_id", allow_null=True)
    visit = serializers.UUIDField(source="row.visit_id", allow_null=True)
    touch = serializers.UUIDField(source="row.touch_id", allow_null=True)
    corrects = serializers.UUIDField(source="row.corrects", allow_null=True)
    payload = serializers.DictField(help_text="In the newest version of its type.")
    standing = serializers.ChoiceField(
        ["effective", "superseded", "clock_ahead"],
        help_text="Whether it counts: superseded by a correction, or waiting because its time lies ahead.",
    )
    superseded_by = serializers.UUIDField(allow_null=True)

    @extend_schema_field(SubjectShown)
    def get_subject(self, event: StandingEvent) -> dict[str, str]:
        return {"kind": event.row.subject_kind, "id": str(event.row.subject_id)}


class CounterSent(Sent):
    reason = serializers.ChoiceField(COUNTER_REASONS)
    id = serializers.UUIDField(
        required=False, help_text="The counter-event's own id; give one to send this safely twice."
    )


class CounterShown(serializers.Serializer[Any]):
    id = serializers.UUIDField(help_text="The counter-event.")


class EventFilter(filters.FilterSet):
    type = filters.ChoiceFilter(field_name="type", choices=[(str(one), str(one)) for one in EventType])
    visit = filters.UUIDFilter("visit_id")
    occurred_from = InstantFilter("occurred_at", lookup_expr="gte")
    occurred_before = InstantFilter("occurred_at", lookup_expr="lt")


class LogFilter(EventFilter):
    subject = filters.UUIDFilter("subject_id")


class ServiceEvents(Feed):
    permissions = {"GET": Permission.EVENTS_READ, "POST": Permission.EVENTS_RECORD}
    keyless = True  # each event has an id of its own, kept for ever, and is answered for by itself
    serializer_class = EventShown
    filterset_class = LogFilter
    ordering = ("position",)

    def rows(self) -> QuerySet[Event]:
        return log.stored_events()

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        return standing.with_standing(page)

    @extend_schema(
        parameters=FEED_PARAMETERS,
        responses={
            (200, "application/json"): EventShown(many=True),
            (200, CLOUDEVENTS): BATCH_SCHEMA,
        },
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """The log in the order of its positions: page by page, or read on after a position, waiting for what comes.

        As `application/cloudevents-batch+json` the answer is a batch of CloudEvents 1.0, and the header `Link` names
        the next page.
        """
        return super().get(request, *args, **kwargs)

    @extend_schema(
        request=PolymorphicProxySerializer(
            component_name="Upload",
            serializers=[UploadSent, EventSent(many=True)],
            resource_type_field_name=None,
            many=False,
        ),
        responses={200: FatesShown},
        filters=False,
    )
    def post(self, request: Request) -> Response:
        """Send up to 500 events. Each is answered for by itself; what is accepted or duplicate is stored for good."""
        fates = upload_events(actor=self.actor, events=_events(request.data))
        return Response(FatesShown({"fates": fates}).data)


def _events(body: Any) -> list[Any]:
    if isinstance(body, dict) and set(body) == {"events"}:
        body = body["events"]
    if not isinstance(body, list):
        raise BadInput('Send a list of events, or an object with the one field "events" that holds it.')
    return body


class ServiceEvent(RowView):
    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = EventShown

    def row(self, event_id: UUID) -> StandingEvent:  # type: ignore[override]
        return standing.get_standing_event(event_id)


class ServiceEventCounter(OperatorView):
    permissions = {"POST": Permission.EVENTS_COUNTER}
    serializer_class = CounterShown

    @extend_schema(request=CounterSent, responses={201: CounterShown})
    def post(self, request: Request, event_id: UUID) -> Response:
        """Undo an event by a counter-event. Undoing a counter-event restores the first."""
        sent = sent_by(request, CounterSent)
        made = sent.get("id")
        if made is None or not self._is_done(made, event_id):
            made = counter_event(actor=self.actor, event_id=event_id, reason=sent["reason"], id=made)
        return Response({"id": str(made)}, status=201)

    def _is_done(self, made: UUID, event_id: UUID) -> bool:
        """Whether this counter-event stands in the log: sent again, its time would be another and so its content."""
        with tenancy.reading(self.actor):
            same = log.stored_events().filter(
                event_id=made, corrects=event_id, type=EventType.EVENT_COUNTERED
            )
            return bool(same.exists())


class UnitEvents(RowsView):
    """What was recorded of one unit, in the order it was stored."""

    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = EventShown
    filterset_class = EventFilter
    ordering = ("position",)

    def rows(self) -> QuerySet[Event]:
        unit = fleet.get_unit(self.kwargs["unit_id"])
        return log.stored_events().filter(subject_kind=Subject.UNIT, subject_id=unit.id)

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        return standing.with_standing(page)
