"""The operator's figures: how well the service is kept, and how long wicks last. Each value with its interval and n."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView
from accounts.permissions import Permission
from servicing.queries.service_figures import FEWEST_DAYS, MOST_DAYS, ServiceFigures, service_figures
from servicing.queries.wick_figures import WickFigures, wick_figures
from servicing.rules.service_level import AGEING_UNTIL_DAYS


class Span(serializers.Serializer[Any]):
    days = serializers.IntegerField(
        required=False,
        default=90,
        min_value=FEWEST_DAYS,
        max_value=MOST_DAYS,
        help_text="How many days up to today, today included.",
    )


class OnTimeShown(serializers.Serializer[Any]):
    n = serializers.IntegerField(help_text="Due days whose grace has ended.")
    rate = serializers.FloatField(allow_null=True, help_text="Share met in grace; null under 20 due days.")
    low = serializers.FloatField(help_text="Wilson's 95 % interval, widened by the design effect.")
    high = serializers.FloatField()
    design_effect = serializers.FloatField(help_text="By how much the due days of one crew-day go together.")


class StillOpen(serializers.Serializer[Any]):
    over_days = serializers.IntegerField(help_text="Past grace for more than so many days,")
    up_to_days = serializers.IntegerField(allow_null=True, help_text="up to so many; null: without end.")
    units = serializers.IntegerField()


class AgeingStep(serializers.Serializer[Any]):
    days = serializers.IntegerField(help_text="Days past grace.")
    open_share = serializers.FloatField(help_text="Share not served by then (Kaplan-Meier).")
    low = serializers.FloatField()
    high = serializers.FloatField()


class CrewFiguresShown(serializers.Serializer[Any]):
    crew = serializers.UUIDField(source="crew_id")
    name = serializers.CharField()
    visits = serializers.IntegerField()
    units = serializers.IntegerField(help_text="Units handled on visits whose minutes are known.")
    minutes = serializers.IntegerField()
    per_hour = serializers.FloatField(help_text="Units handled an hour on site.")
    low = serializers.FloatField(help_text="Exact 95 % Poisson interval.")
    high = serializers.FloatField()
    shrunk = serializers.FloatField(help_text="Drawn towards all crews: the fair one to compare.")


class ServiceFiguresShown(serializers.Serializer[ServiceFigures]):
    since = serializers.DateField()
    until = serializers.DateField()
    method = serializers.CharField()
    sites = serializers.IntegerField()
    units = serializers.IntegerField()
    on_time = OnTimeShown()
    late_spells = serializers.IntegerField(source="spells")
    still_open = serializers.SerializerMethodField()
    ageing = serializers.SerializerMethodField()
    crews = CrewFiguresShown(many=True)

    @extend_schema_field(StillOpen(many=True))
    def get_still_open(self, figures: ServiceFigures) -> list[dict[str, Any]]:
        bounds = (0, *AGEING_UNTIL_DAYS, None)
        return [
            {"over_days": low, "up_to_days": high, "units": count}
            for low, high, count in zip(bounds, bounds[1:], figures.ageing.still_open, strict=False)
        ]

    @extend_schema_field(AgeingStep(many=True))
    def get_ageing(self, figures: ServiceFigures) -> list[dict[str, Any]]:
        ageing = figures.ageing
        columns = (ageing.days, ageing.open_share, ageing.low, ageing.high)
        if any(column is None for column in columns):
            return []
        return [
            {
                "days": int(day),
                "open_share": round(float(share), 6),
                "low": round(float(low), 6),
                "high": round(float(high), 6),
            }
            for day, share, low, high in zip(*columns, strict=True)  # type: ignore[arg-type]
        ]


class AgeShown(serializers.Serializer[Any]):
    months = serializers.IntegerField(help_text="The wick's age.")
    share = serializers.FloatField(help_text="Share of wicks still working.")
    share_low = serializers.FloatField()
    share_high = serializers.FloatField()
    chance = serializers.FloatField(help_text="Chance that one working then fails in the month after.")
    chance_low = serializers.FloatField()
    chance_high = serializers.FloatField()


class ShiftShown(serializers.Serializer[Any]):
    level = serializers.CharField(help_text='As "site:school", "hardness:hard" or "liquid:acid".')
    factor = serializers.FloatField(help_text="How long such wicks last, of the operator's typical one.")
    low = serializers.FloatField()
    high = serializers.FloatField()


class SeenStep(serializers.Serializer[Any]):
    age_days = serializers.FloatField()
    share = serializers.FloatField()


class WickFiguresShown(serializers.Serializer[WickFigures]):
    method = serializers.CharField(source="wicks.life.method")
    made_at = serializers.DateTimeField(source="fit.made_at", allow_null=True, default=None)
    is_prior = serializers.BooleanField(
        source="wicks.is_prior", help_text="Too few failures of its own: assumed values, not this operator's."
    )
    wicks = serializers.IntegerField(source="wicks.life.based_on_wicks")
    failures = serializers.IntegerField(source="wicks.life.based_on_failures")
    shape = serializers.FloatField(source="wicks.life.shape", help_text="Of the Weibull life; 1: no ageing.")
    middle_months = serializers.FloatField(allow_null=True, help_text="Age by which half have failed.")
    ages = AgeShown(many=True, source="lines")
    shifts = ShiftShown(many=True)
    seen = serializers.SerializerMethodField()

    @extend_schema_field(SeenStep(many=True))
    def get_seen(self, figures: WickFigures) -> list[dict[str, float]]:
        """Turnbull's curve, which assumes no form: what the fitted one is checked against."""
        return [{"age_days": age, "share": share} for age, share in figures.steps]


class ServiceFiguresDoor(OperatorView):
    """How well the service is kept over the last days: punctuality, lateness, and what crews get done."""

    permissions = {"GET": Permission.FIGURES_READ}
    serializer_class = ServiceFiguresShown

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"days"}) if method in {"GET", "HEAD"} else frozenset()

    @extend_schema(parameters=[Span])
    def get(self, request: Request) -> Response:
        asked = Span(data=request.query_params)
        asked.is_valid(raise_exception=True)
        with tenancy.reading(self.actor):
            figures = service_figures(asked.validated_data["days"])
        return Response(ServiceFiguresShown(figures).data)


class WickFiguresDoor(OperatorView):
    """How long wicks last here: the fitted life with its intervals, and what was seen beside it."""

    permissions = {"GET": Permission.FIGURES_READ}
    serializer_class = WickFiguresShown

    def get(self, request: Request) -> Response:
        with tenancy.reading(self.actor):
            figures = wick_figures()
        return Response(WickFiguresShown(figures).data)
