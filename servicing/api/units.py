"""Units as they stand: where each hangs, what state it is in, when it is due and when it runs dry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import RowsView, RowView, Sent, sent_by
from accounts.ids import normalise_label_code
from accounts.permissions import Permission
from fleet import queries as fleet
from fleet.commands import MOST_LABELS, print_labels
from servicing.queries import fleet_state, units
from servicing.queries.fleet_state import UnitView
from servicing.rules.due import Band

if TYPE_CHECKING:
    from fleet.models import Unit

DRY_ADVICE = ("in_time", "sooner", "larger")
DRIFTS = ("low", "high")
DRIFT_ADVICE = ("wash", "change", "look_for_leak")
WICK_ADVICE = ("wait", "wash", "change")
WICK_REASONS = ("left_over", "condition", "drift", "limit", "cost")
STATUSES = ("printed", "up", "degraded", "down", "withdrawn")


@dataclass(frozen=True, slots=True)
class UnitLine:
    """A unit's identity beside how it stands."""

    unit: Unit
    view: UnitView


class UnitModelNamed(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    reservoir_ml = serializers.IntegerField()


class PlaceShown(serializers.Serializer[Any]):
    station_id = serializers.UUIDField()
    restroom = serializers.CharField()
    station = serializers.CharField()
    fixture = serializers.ChoiceField(["urinal", "water_closet"])


class DueShown(serializers.Serializer[Any]):
    due_on = serializers.DateField(allow_null=True)
    opens_on = serializers.DateField(allow_null=True)
    past_grace_from = serializers.DateField(allow_null=True)
    long_past_from = serializers.DateField(allow_null=True)
    is_reopen = serializers.BooleanField()


class BasisShown(serializers.Serializer[Any]):
    """What the figures of an outlook rest on. Logs are natural, of the dose over the nominal dose."""

    n = serializers.IntegerField(required=False, help_text="Exchanges of the unit that its dose rests on.")
    mean = serializers.FloatField(required=False, help_text="Mean of the log, without the season.")
    sd = serializers.FloatField(required=False, help_text="Standard deviation of that mean.")
    n_operator = serializers.IntegerField(
        required=False, help_text="Exchanges of all units that the operator's fit of doses rests on."
    )
    group = serializers.CharField(required=False, help_text="The units whose doses resemble this one's.")
    dose_method = serializers.CharField(required=False)
    wick_method = serializers.CharField(required=False)
    wick_failures = serializers.IntegerField(
        required=False, help_text="Failed wicks that the life curve rests on."
    )
    prior = serializers.BooleanField(
        required=False, help_text="The dose is judgement so far: the operator has no fit of its own."
    )
    wick_prior = serializers.BooleanField(
        required=False, help_text="The life curve is judgement so far: too few wicks have failed."
    )
    next_on = serializers.DateField(required=False, allow_null=True, help_text="The open due day.")
    after_on = serializers.DateField(required=False, allow_null=True, help_text="The due day after it.")
    wick_chance_after = serializers.FloatField(
        required=False,
        allow_null=True,
        help_text="Chance that a wick working on next_on fails before after_on if it is left in.",
    )


class OutlookShown(serializers.Serializer[Any]):
    dose_ml_per_day = serializers.DecimalField(8, 3, allow_null=True)
    dry_on = serializers.DateField(allow_null=True, help_text="The median; as likely before as after.")
    dry_earliest_on = serializers.DateField(
        allow_null=True, help_text="It is dry before this day once in ten."
    )
    dry_latest_on = serializers.DateField(allow_null=True, help_text="It is dry after this day once in ten.")
    empty_on = serializers.DateField(
        allow_null=True, help_text="The median day on which the cartridge is empty."
    )
    chance_dry = serializers.DecimalField(
        5, 4, allow_null=True, help_text="Chance of being dry at noon of the next due day."
    )
    latest_on = serializers.DateField(
        allow_null=True, help_text="The last day on which that chance is what the operator accepts."
    )
    dry_advice = serializers.ChoiceField(
        DRY_ADVICE,
        allow_blank=True,
        help_text="in_time; sooner: inside the window but before its due day; larger: a larger cartridge or another visit.",
    )
    dry_soon_from = serializers.DateField(allow_null=True)
    drift = serializers.ChoiceField(
        DRIFTS, allow_blank=True, help_text="The output is lower or higher than was expected."
    )
    drift_since_on = serializers.DateField(allow_null=True)
    drift_advice = serializers.ChoiceField(DRIFT_ADVICE, allow_blank=True)
    wick_since_on = serializers.DateField(allow_null=True)
    wick_watch_from = serializers.DateField(allow_null=True)
    wick_chance = serializers.DecimalField(
        5, 4, allow_null=True, help_text="Chance that the wick has failed by the next due day."
    )
    wick_advice = serializers.ChoiceField(
        WICK_ADVICE,
        allow_blank=True,
        help_text="What pays at the next due day; empty without a curve of one's own.",
    )
    wick_reason = serializers.ChoiceField(WICK_REASONS, allow_blank=True)
    wick_saving = serializers.DecimalField(
        9,
        2,
        allow_null=True,
        help_text="What the advice saves against waiting; with wait, what a change would (0 or less).",
    )
    clean_due_on = serializers.DateField(allow_null=True, help_text="When the reservoir is to be cleaned.")
    basis = BasisShown()


class UnitShown(serializers.Serializer[UnitLine]):
    id = serializers.UUIDField(source="unit.id")
    code = serializers.CharField(source="unit.code")
    unit_model = UnitModelNamed(source="unit.unit_model")
    printed_at = serializers.DateTimeField(source="unit.printed_at")
    status = serializers.ChoiceField(STATUSES, source="view.status")
    site = serializers.UUIDField(source="view.site_id", allow_null=True)
    place = serializers.SerializerMethodField()
    band = serializers.ChoiceField(list(Band), source="view.band")
    due = DueShown(source="view.segment", allow_null=True)
    outlook = OutlookShown(source="view.outlook", allow_null=True)
    last_exchange_at = serializers.DateTimeField(source="view.history.last_exchange_at", allow_null=True)

    @extend_schema_field(PlaceShown(allow_null=True))
    def get_place(self, line: UnitLine) -> dict[str, Any] | None:
        view = line.view
        if view.history.station_id is None or not view.history.is_installed:
            return None
        return {
            "station_id": view.history.station_id,
            "restroom": view.restroom,
            "station": view.station,
            "fixture": view.fixture,
        }


class OpenFault(serializers.Serializer[Any]):
    mode = serializers.CharField()
    found_at = serializers.DateTimeField()


class UnitHistoryShown(serializers.Serializer[Any]):
    installed_at = serializers.DateTimeField(allow_null=True)
    opened_at = serializers.DateTimeField(
        allow_null=True,
        help_text=(
            "When a unit that hung before its operator began came into the log; null of one that was installed here. Times "
            "before it stand for days."
        ),
    )
    said_installed_on = serializers.DateField(
        allow_null=True, help_text="When such a unit is said to have been put up; null where nobody knew."
    )
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    cartridge_id = serializers.UUIDField(allow_null=True)
    charge_ml = serializers.IntegerField(allow_null=True)
    charged_at = serializers.DateTimeField(allow_null=True)
    level_ml = serializers.IntegerField(allow_null=True)
    level_at = serializers.DateTimeField(allow_null=True)
    set_dose_ml_per_day = serializers.CharField(allow_null=True)
    wick_since = serializers.DateTimeField(allow_null=True)
    wick_condition = serializers.CharField(allow_null=True)
    wick_checked_at = serializers.DateTimeField(allow_null=True)
    wick_washed_at = serializers.DateTimeField(allow_null=True)
    reservoir_cleaned_at = serializers.DateTimeField(allow_null=True)
    outlet_cleared_at = serializers.DateTimeField(allow_null=True)
    open_faults = serializers.SerializerMethodField()

    @extend_schema_field(OpenFault(many=True))
    def get_open_faults(self, history: Any) -> list[dict[str, str]]:
        return [{"mode": mode, "found_at": at} for mode, at in sorted(history.open_faults.items())]


class UnitDetailShown(UnitShown):
    history = UnitHistoryShown(source="view.history")


class LabelsSent(Sent):
    unit_model = serializers.UUIDField()
    count = serializers.IntegerField(
        min_value=1, max_value=MOST_LABELS, required=False, help_text="So many new codes; or give codes."
    )
    codes = serializers.ListField(
        child=serializers.CharField(max_length=20),
        min_length=1,
        max_length=MOST_LABELS,
        required=False,
        help_text="Labels that are printed already, in any spelling.",
    )


class LabelShown(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    unit_model = serializers.UUIDField(source="unit_model_id")
    printed_at = serializers.DateTimeField()


class LabelsPrinted(serializers.Serializer[Any]):
    units = LabelShown(many=True, help_text="In the order of the codes given.")


class UnitFilter(filters.FilterSet):
    code = filters.CharFilter(method="by_code", help_text="The label, in any spelling.")
    site = filters.UUIDFilter(method="by_site")
    crew = filters.UUIDFilter(method="by_crew", help_text="The usual crew of the unit's site.")
    status = filters.ChoiceFilter(method="by_status", choices=[(word, word) for word in STATUSES])
    band = filters.ChoiceFilter(method="by_band", choices=[(str(band), str(band)) for band in Band])

    def by_code(self, rows: QuerySet[Unit], name: str, value: str) -> QuerySet[Unit]:
        return rows.filter(code=normalise_label_code(value))

    def by_site(self, rows: QuerySet[Unit], name: str, value: UUID) -> QuerySet[Unit]:
        return rows.filter(id__in=units.unit_ids_at(site_id=value))

    def by_crew(self, rows: QuerySet[Unit], name: str, value: UUID) -> QuerySet[Unit]:
        return rows.filter(id__in=units.unit_ids_at(crew_id=value))

    def by_status(self, rows: QuerySet[Unit], name: str, value: str) -> QuerySet[Unit]:
        if value == "printed":
            return rows.exclude(id__in=units.unit_ids_beyond_printing())
        return rows.filter(id__in=units.unit_ids_at(status=value))

    def by_band(self, rows: QuerySet[Unit], name: str, value: str) -> QuerySet[Unit]:
        found = units.unit_ids_in_band(Band(value))
        return rows.exclude(id__in=found) if value == Band.NONE else rows.filter(id__in=found)


class Units(RowsView):
    permissions = {"GET": Permission.UNITS_READ, "POST": Permission.FLEET_MANAGE}
    serializer_class = UnitShown
    filterset_class = UnitFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Unit]:
        return fleet.units()

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        views = fleet_state.unit_views([unit.id for unit in page])
        return [UnitLine(unit, views[unit.id]) for unit in page]

    @extend_schema(request=LabelsSent, responses={201: LabelsPrinted}, filters=False)
    def post(self, request: Request) -> Response:
        """Print labels, which makes their units: a count of new codes, or the given ones; all or none."""
        sent = sent_by(request, LabelsSent)
        printed = print_labels(
            actor=self.actor,
            unit_model_id=sent["unit_model"],
            count=sent.get("count", 0),
            codes=sent.get("codes", ()),
        )
        return Response(LabelsPrinted({"units": printed}).data, status=201)


class UnitDoor(RowView):
    permissions = {"GET": Permission.UNITS_READ}
    serializer_class = UnitDetailShown

    def row(self, unit_id: UUID) -> UnitLine:  # type: ignore[override]
        return UnitLine(fleet.get_unit(unit_id), fleet_state.get_unit_view(unit_id))
