"""What was learnt of doses and wicks, and when: the fits that forecasts are made with, and those before them."""

from __future__ import annotations

from django.db.models import QuerySet
from rest_framework import serializers

from accounts.doors import RowsView
from accounts.permissions import Permission
from servicing.models import Fit
from servicing.queries import forecasting


class FitShown(serializers.Serializer[Fit]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField([forecasting.DOSE, forecasting.WICK])
    method = serializers.CharField(help_text="The method and its version.")
    made_at = serializers.DateTimeField()
    position = serializers.IntegerField(help_text="How far the log had been folded.")
    basis = serializers.JSONField(help_text="How much it rests on: units, readings, wicks, failures.")
    parameters = serializers.JSONField(help_text="What was fitted, by the names of the method.")


class Fits(RowsView):
    """The latest fits first. The first of a kind is the one that outlooks are made with; before any, priors are."""

    permissions = {"GET": Permission.UNITS_READ}
    serializer_class = FitShown
    ordering = ("-made_at", "-position", "id")

    def rows(self) -> QuerySet[Fit]:
        return forecasting.fits()
