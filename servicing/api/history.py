"""Looking back: a unit or a site's units as of an instant and as known at a position, and what changed in between."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import queries as accounts
from accounts.doors import RowView
from accounts.permissions import Permission
from fleet import queries as fleet
from servicing.api.events import SubjectShown
from servicing.api.units import UnitDetailShown, UnitHistoryShown
from servicing.events.types import EventType
from servicing.queries import history
from servicing.queries.events import KnownEvent
from servicing.queries.fleet_state import UnitView
from servicing.queries.history import Difference, PastState

if TYPE_CHECKING:
    from fleet.models import Unit

LENGTH_OF_A_DAY = len("2026-11-26")
LONGEST_MOMENT = 40
YEARS = range(history.EARLIEST_YEAR, 9_000)
SAID_MOMENT = "Expected: a date (2026-11-26), or an instant with its offset (2026-11-26T14:05:00Z)."


@extend_schema_field(
    {"anyOf": [{"type": "string", "format": "date"}, {"type": "string", "format": "date-time"}]}
)
class DayOrInstant(serializers.Field[Any, Any, Any, Any]):
    """A date, or an instant with its offset from UTC. What a date means is up to the zone, so both come through."""

    default_error_messages = {"invalid": SAID_MOMENT}

    def to_internal_value(self, data: str) -> date | datetime:
        try:
            moment = date.fromisoformat(data) if len(data) == LENGTH_OF_A_DAY else _instant(data)
        except ValueError:
            self.fail("invalid")
        if moment.year not in YEARS:
            self.fail("invalid")
        return moment


def _instant(text: str) -> datetime:
    """An aware instant from text; ValueError for any other."""
    instant = datetime.fromisoformat(text[:LONGEST_MOMENT])
    if instant.utcoffset() is None:
        raise ValueError(text)
    return instant


class AsOf(serializers.Serializer[Any]):
    as_of = DayOrInstant(
        required=False,
        help_text="Only what had occurred by then; a date means to its end in the site's zone. All, when left out.",
    )


class AsOfAsKnown(AsOf):
    known_at = serializers.IntegerField(
        required=False, min_value=0, help_text="Only events at or before this position. All, when left out."
    )
    known_on = DayOrInstant(
        required=False,
        help_text="The same by time: up to the last event received by then. Give this or known_at.",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if "known_at" in attrs and "known_on" in attrs:
            raise serializers.ValidationError(
                {"known_on": [ErrorDetail("Give either known_at or known_on.", "one-of")]}
            )
        return attrs


class Between(AsOf):
    to = serializers.IntegerField(
        required=False, min_value=0, help_text="The later position; the last one, when left out."
    )

    def get_fields(self) -> dict[str, Any]:
        # A reserved word of Python's, so it can't stand above.
        earlier = serializers.IntegerField(
            required=False, min_value=0, default=0, help_text="The earlier position; 0, when left out."
        )
        return {"from": earlier, **super().get_fields()}


@dataclass(frozen=True, slots=True)
class PastLine:
    """A unit's identity beside how it stood."""

    unit: Unit
    state: PastState

    @property
    def view(self) -> UnitView:
        return self.state.view


class ReportOpen(serializers.Serializer[Any]):
    event = serializers.UUIDField()
    kind = serializers.CharField()
    received_at = serializers.DateTimeField()


class FindingOf(serializers.Serializer[Any]):
    code = serializers.CharField()
    event = serializers.UUIDField()
    occurred_at = serializers.DateTimeField()


class PastHistoryShown(UnitHistoryShown):
    reports = serializers.SerializerMethodField()
    findings = serializers.SerializerMethodField()

    @extend_schema_field(ReportOpen(many=True))
    def get_reports(self, unit: Any) -> list[dict[str, str]]:
        return [
            {"event": event, "kind": kind, "received_at": at}
            for event, (kind, at) in sorted(unit.reports.items())
        ]

    @extend_schema_field(FindingOf(many=True))
    def get_findings(self, unit: Any) -> list[dict[str, str]]:
        return [{"code": code, "event": event, "occurred_at": at} for code, event, at in unit.findings]


class UnitStateShown(UnitDetailShown):
    as_of = serializers.DateTimeField(
        source="state.as_of", allow_null=True, help_text="Null: all that is recorded counts."
    )
    known_at = serializers.IntegerField(
        source="state.known_at", help_text="The position of the last event that may count."
    )
    day = serializers.DateField(source="state.day", help_text="The day on which it is due and has its band.")
    zone = serializers.CharField(source="state.zone")
    history = PastHistoryShown(source="view.history")


class SiteStatesShown(serializers.Serializer[Any]):
    as_of = serializers.DateTimeField(allow_null=True)
    known_at = serializers.IntegerField()
    units = UnitStateShown(many=True, help_text="By restroom and station.")


class UnitChangeShown(serializers.Serializer[Any]):
    field = serializers.CharField(help_text="As it is called in a unit's state.")
    before = serializers.JSONField()
    after = serializers.JSONField(help_text="Null, like before, where there is none.")


class CauseShown(serializers.Serializer[KnownEvent]):
    id = serializers.UUIDField(source="event_id")
    position = serializers.IntegerField()
    type = serializers.ChoiceField(list(EventType))
    subject = serializers.SerializerMethodField()
    occurred_at = serializers.DateTimeField()
    received_at = serializers.DateTimeField()
    corrects = serializers.UUIDField(allow_null=True)
    standing = serializers.ChoiceField(
        ["effective", "superseded", "clock_ahead"], help_text="As known at the later position."
    )

    @extend_schema_field(SubjectShown)
    def get_subject(self, event: KnownEvent) -> dict[str, str]:
        return {"kind": event.subject_kind, "id": str(event.subject_id)}


class UnitChangesShown(serializers.Serializer[Difference]):
    unit = serializers.UUIDField(source="after.view.unit_id")
    as_of = serializers.DateTimeField(source="after.as_of", allow_null=True)
    known_before = serializers.IntegerField(source="before.known_at")
    known_after = serializers.IntegerField(source="after.known_at")
    changes = UnitChangeShown(many=True, help_text="The fields that differ; empty when nothing does.")
    events = CauseShown(
        many=True, help_text="What was recorded in between and bears on it, in the order it occurred."
    )


class LookBack(RowView):
    """A door that reads its two times from the query."""

    permissions = {"GET": Permission.EVENTS_READ}
    asks: type[serializers.Serializer[Any]] = AsOfAsKnown

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset(self.asks().fields) if method in {"GET", "HEAD"} else frozenset()

    def asked(self, zone: Callable[[], str]) -> dict[str, Any]:
        """What is asked for, dates as the end of their day in a zone, known_on as a position; inside the scope."""
        asked = self.asks(data=self.request.query_params)
        asked.is_valid(raise_exception=True)
        values: dict[str, Any] = {
            name: history.end_of_day(value, zone())
            if isinstance(value, date) and not isinstance(value, datetime)
            else value
            for name, value in asked.validated_data.items()
        }
        if "known_on" in values:
            values["known_at"] = history.position_known_on(values.pop("known_on"))
        return values


class UnitStateDoor(LookBack):
    serializer_class = UnitStateShown

    @extend_schema(parameters=[AsOfAsKnown])
    def get(self, request: Request, **names: Any) -> Response:
        """A unit as of an instant, as it was known at a position: what we knew then of what was so then."""
        return super().get(request, **names)

    def row(self, unit_id: UUID) -> PastLine:  # type: ignore[override]
        unit = fleet.get_unit(unit_id)
        asked = self.asked(lambda: history.zone_of_unit(unit_id))
        return PastLine(unit, history.unit_state(unit_id, **asked))


class UnitChanges(LookBack):
    asks = Between
    serializer_class = UnitChangesShown

    @extend_schema(parameters=[Between])
    def get(self, request: Request, **names: Any) -> Response:
        """What of a unit's state differs between two positions of what was known, and the events that made it so."""
        return super().get(request, **names)

    def row(self, unit_id: UUID) -> Difference:  # type: ignore[override]
        fleet.get_unit(unit_id)
        asked = self.asked(lambda: history.zone_of_unit(unit_id))
        return history.difference(unit_id, asked["from"], asked.get("to"), as_of=asked.get("as_of"))


class SiteUnitStates(LookBack):
    serializer_class = SiteStatesShown

    @extend_schema(parameters=[AsOfAsKnown])
    def get(self, request: Request, **names: Any) -> Response:
        """The units that hung at a site as of an instant, as it was known at a position; also those moved since."""
        return super().get(request, **names)

    def row(self, site_id: UUID) -> dict[str, Any]:  # type: ignore[override]
        site = accounts.get_site(site_id)
        asked = self.asked(lambda: site.zone)
        found = history.site_states(site_id, **asked)
        units = {unit.id: unit for unit in fleet.units().filter(id__in=[one.view.unit_id for one in found])}
        return {
            "as_of": asked.get("as_of"),
            "known_at": history.known_position(asked.get("known_at")),
            "units": [PastLine(units[one.view.unit_id], one) for one in found],
        }
