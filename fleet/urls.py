"""The API's addresses of the fleet's master data, under /api/v1/."""

from django.urls import path

from fleet import api

urlpatterns = [
    path("unit-models", api.UnitModels.as_view(), name="api-unit-models"),
    path("liquids", api.Liquids.as_view(), name="api-liquids"),
    path("cartridges", api.Cartridges.as_view(), name="api-cartridges"),
    path("restrooms", api.Restrooms.as_view(), name="api-restrooms"),
    path("stations", api.Stations.as_view(), name="api-stations"),
]
