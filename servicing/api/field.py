"""What happened in the field and what needs a person: visits, standstills, reports, findings, alerts."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import queries as accounts
from accounts.doors import OperatorView, RowsView, RowView, Sent, sent_by
from accounts.doors.instants import InstantFilter
from accounts.permissions import Permission
from servicing.commands.office import acknowledge_alert, begin_standstill, receive_report
from servicing.events.types import REPORT_KINDS, Subject
from servicing.models import Alert, Finding, Report, Standstill, Visit
from servicing.queries import fleet_state

ALERT_KINDS = ("due", "past_grace", "dry_soon", "wick_watch", "drift")
OUTCOMES = ("served", "part_served", "not_admitted", "called_off")


OWN_ID = "The event's own id; give one to send this safely twice."


def _choices(words: tuple[str, ...]) -> list[tuple[str, str]]:
    return [(word, word) for word in words]


class VisitShown(serializers.Serializer[Visit]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="site_id")
    crew = serializers.UUIDField(source="crew_id", allow_null=True)
    day = serializers.DateField(help_text="In the site's zone.")
    occurred_at = serializers.DateTimeField()
    outcome = serializers.ChoiceField(OUTCOMES)
    reason = serializers.CharField(help_text="Why not admitted or called off; else empty.")
    minutes = serializers.IntegerField(allow_null=True)
    units = serializers.IntegerField(help_text="How many units were handled.")


class StandstillShown(serializers.Serializer[Standstill]):
    event = serializers.UUIDField(source="event_id", help_text="The event that began it.")
    site = serializers.UUIDField(source="site_id")
    starts_on = serializers.DateField()
    ends_on = serializers.DateField(allow_null=True, help_text="Its last day; null while it is open.")
    billing = serializers.ChoiceField(["full", "half", "none"])


class ReportShown(serializers.Serializer[Report]):
    event = serializers.UUIDField(source="event_id")
    site = serializers.UUIDField(source="site_id", allow_null=True)
    unit = serializers.UUIDField(source="unit_id", allow_null=True)
    kind = serializers.ChoiceField(REPORT_KINDS)
    received_at = serializers.DateTimeField()


class RecordedShown(serializers.Serializer[Any]):
    event = serializers.UUIDField(help_text="The event that was recorded.")


class StandstillSent(Sent):
    site = serializers.UUIDField()
    starts_on = serializers.DateField()
    ends_on = serializers.DateField(
        required=False, allow_null=True, help_text="Its last day; open when left out."
    )
    billing = serializers.ChoiceField(["full", "half", "none"], help_text="How much of its days is billed.")
    id = serializers.UUIDField(required=False, help_text=OWN_ID)


class ReportSent(Sent):
    site = serializers.UUIDField(required=False, help_text="What it is about: a site, or a unit.")
    unit = serializers.UUIDField(required=False)
    kind = serializers.ChoiceField(REPORT_KINDS)
    who = serializers.CharField(
        required=False, allow_blank=True, default="", help_text="Who said it; kept encrypted."
    )
    said = serializers.CharField(
        required=False, allow_blank=True, default="", help_text="What they said; kept encrypted."
    )
    id = serializers.UUIDField(required=False, help_text=OWN_ID)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("site" in attrs) == ("unit" in attrs):
            raise serializers.ValidationError(
                {"site": [ErrorDetail("Name either a site or a unit.", "one-of")]}
            )
        return attrs


class FindingShown(serializers.Serializer[Finding]):
    event = serializers.UUIDField(source="event_id")
    code = serializers.CharField()
    subject_kind = serializers.ChoiceField(list(Subject))
    subject = serializers.UUIDField(source="subject_id")
    occurred_at = serializers.DateTimeField()


class AlertShown(serializers.Serializer[Alert]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField(ALERT_KINDS)
    unit = serializers.UUIDField(source="unit_id")
    unit_code = serializers.CharField(source="unit.code")
    site = serializers.UUIDField(source="site_id")
    site_name = serializers.CharField(source="site.name")
    first_day = serializers.DateField()
    opened_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)
    acknowledged_at = serializers.DateTimeField(
        allow_null=True, help_text="Set with the next sweep after it was taken note of."
    )


class VisitFilter(filters.FilterSet):
    site = filters.UUIDFilter("site_id")
    crew = filters.UUIDFilter("crew_id")
    day_from = filters.DateFilter("day", lookup_expr="gte")
    day_to = filters.DateFilter("day", lookup_expr="lte", help_text="The last day wanted.")
    outcome = filters.ChoiceFilter(field_name="outcome", choices=_choices(OUTCOMES))


class ReportFilter(filters.FilterSet):
    site = filters.UUIDFilter("site_id")
    unit = filters.UUIDFilter("unit_id")
    kind = filters.ChoiceFilter(field_name="kind", choices=_choices(REPORT_KINDS))


class FindingFilter(filters.FilterSet):
    code = filters.CharFilter("code")
    subject = filters.UUIDFilter("subject_id")
    event = filters.UUIDFilter("event_id")
    occurred_from = InstantFilter("occurred_at", lookup_expr="gte")
    occurred_before = InstantFilter("occurred_at", lookup_expr="lt")


class AlertFilter(filters.FilterSet):
    kind = filters.ChoiceFilter(field_name="kind", choices=_choices(ALERT_KINDS))
    site = filters.UUIDFilter("site_id")
    unit = filters.UUIDFilter("unit_id")
    crew = filters.UUIDFilter("site__crew_id", help_text="The usual crew of the site.")
    open = filters.BooleanFilter("closed_at", lookup_expr="isnull")


class Visits(RowsView):
    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = VisitShown
    filterset_class = VisitFilter
    ordering = ("-day", "-occurred_at", "id")

    def rows(self) -> QuerySet[Visit]:
        return fleet_state.visits()


class VisitDoor(RowView):
    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = VisitShown

    def row(self, visit_id: UUID) -> Visit:  # type: ignore[override]
        return fleet_state.get_visit(visit_id)


class SiteStandstills(RowsView):
    """A site's dated pauses, the latest first."""

    permissions = {"GET": Permission.SITES_READ}
    serializer_class = StandstillShown
    ordering = ("-starts_on", "event_id")

    def rows(self) -> QuerySet[Standstill]:
        return fleet_state.standstills_of(accounts.get_site(self.kwargs["site_id"]).id)


class Standstills(OperatorView):
    permissions = {"POST": Permission.EVENTS_RECORD}
    serializer_class = RecordedShown
    http_method_names = ["post"]

    @extend_schema(request=StandstillSent, responses={201: RecordedShown})
    def post(self, request: Request) -> Response:
        """Let a site pause from a day on. Its regular due days lapse; on its last day its units are due again."""
        sent = sent_by(request, StandstillSent)
        event_id = begin_standstill(
            actor=self.actor,
            site_id=sent["site"],
            starts_on=sent["starts_on"],
            ends_on=sent.get("ends_on"),
            billing=sent["billing"],
            id=sent.get("id"),
        )
        return Response({"event": str(event_id)}, status=201)


class Reports(RowsView):
    """Messages from sites that are still open."""

    permissions = {"GET": Permission.EVENTS_READ, "POST": Permission.EVENTS_RECORD}
    serializer_class = ReportShown
    filterset_class = ReportFilter
    ordering = ("received_at", "event_id")

    def rows(self) -> QuerySet[Report]:
        return fleet_state.reports()

    @extend_schema(request=ReportSent, responses={201: RecordedShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Take down what somebody reports of a site or a unit."""
        sent = sent_by(request, ReportSent)
        about = Subject.UNIT if "unit" in sent else Subject.SITE
        event_id = receive_report(
            actor=self.actor,
            about=about,
            subject_id=sent[about],
            kind=sent["kind"],
            who=sent["who"],
            said=sent["said"],
            id=sent.get("id"),
        )
        return Response({"event": str(event_id)}, status=201)


class Findings(RowsView):
    """Where an event contradicts the history it joins."""

    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = FindingShown
    filterset_class = FindingFilter
    ordering = ("-occurred_at", "event_id", "code")

    def rows(self) -> QuerySet[Finding]:
        return fleet_state.findings()


class Alerts(RowsView):
    permissions = {"GET": Permission.ALERTS_READ}
    serializer_class = AlertShown
    filterset_class = AlertFilter
    ordering = ("-first_day", "id")

    def rows(self) -> QuerySet[Alert]:
        return fleet_state.alerts()


class AlertDoor(RowView):
    permissions = {"GET": Permission.ALERTS_READ}
    serializer_class = AlertShown

    def row(self, alert_id: UUID) -> Alert:  # type: ignore[override]
        return fleet_state.get_alert(alert_id)


class AlertAcknowledgement(OperatorView):
    permissions = {"POST": Permission.ALERTS_ACKNOWLEDGE}
    serializer_class = AlertShown

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request, alert_id: UUID) -> Response:
        """Take note of an alert. It stays open until it is no longer true."""
        acknowledge_alert(actor=self.actor, alert_id=alert_id)
        return Response(status=204)
