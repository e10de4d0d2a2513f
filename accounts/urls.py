"""The API's addresses of accounts, under /api/v1/."""

from django.urls import path

from accounts import api

urlpatterns = [
    path("operator", api.OperatorDoor.as_view(), name="api-operator"),
    path("crews", api.Crews.as_view(), name="api-crews"),
    path("crews/<uuid:crew_id>", api.CrewDoor.as_view(), name="api-crew"),
    path("customers", api.Customers.as_view(), name="api-customers"),
    path("customers/<uuid:customer_id>", api.CustomerDoor.as_view(), name="api-customer"),
    path("sites", api.Sites.as_view(), name="api-sites"),
    path("sites/<uuid:site_id>", api.SiteDoor.as_view(), name="api-site"),
    path("service-agreements", api.Agreements.as_view(), name="api-agreements"),
    path("service-agreements/<uuid:agreement_id>", api.AgreementDoor.as_view(), name="api-agreement"),
    path("devices", api.Devices.as_view(), name="api-devices"),
    path("devices/<uuid:device_id>", api.DeviceDoor.as_view(), name="api-device"),
    path("devices/<uuid:device_id>/revoke", api.DeviceRevocation.as_view(), name="api-device-revoke"),
]
