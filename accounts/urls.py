"""The API's addresses of accounts, under /api/v1/."""

from django.urls import path

from accounts.api import customers, people, quarantine, work

urlpatterns = [
    path("operator", people.OperatorDoor.as_view(), name="api-operator"),
    path("crews", people.Crews.as_view(), name="api-crews"),
    path("crews/<uuid:crew_id>", people.CrewDoor.as_view(), name="api-crew"),
    path("service-rules", people.ServiceRulesDoor.as_view(), name="api-service-rules"),
    path("customers", customers.Customers.as_view(), name="api-customers"),
    path("customers/<uuid:customer_id>", customers.CustomerDoor.as_view(), name="api-customer"),
    path("sites", customers.Sites.as_view(), name="api-sites"),
    path("sites/<uuid:site_id>", customers.SiteDoor.as_view(), name="api-site"),
    path(
        "customers/<uuid:customer_id>/billing-email",
        customers.CustomerBillingEmail.as_view(),
        name="api-customer-billing-email",
    ),
    path("sites/<uuid:site_id>/usual-crew", customers.SiteUsualCrew.as_view(), name="api-site-usual-crew"),
    path("service-agreements", customers.Agreements.as_view(), name="api-agreements"),
    path("service-agreements/<uuid:agreement_id>", customers.AgreementDoor.as_view(), name="api-agreement"),
    path(
        "service-agreements/<uuid:agreement_id>/end",
        customers.AgreementEnd.as_view(),
        name="api-agreement-end",
    ),
    path("quarantine", quarantine.Quarantine.as_view(), name="api-quarantine"),
    path(
        "quarantine/<uuid:job_id>/replay",
        quarantine.QuarantineReplay.as_view(),
        name="api-quarantine-replay",
    ),
    path(
        "quarantine/<uuid:job_id>/give-up",
        quarantine.QuarantineGivingUp.as_view(),
        name="api-quarantine-give-up",
    ),
    path("devices", people.Devices.as_view(), name="api-devices"),
    path("devices/<uuid:device_id>", people.DeviceDoor.as_view(), name="api-device"),
    path("devices/<uuid:device_id>/revoke", people.DeviceRevocation.as_view(), name="api-device-revoke"),
    path("work", work.Works.as_view(), name="api-work"),
    path("work/<uuid:work_id>", work.WorkDoor.as_view(), name="api-work-one"),
    path("work/<uuid:work_id>/cancel", work.WorkCancel.as_view(), name="api-work-cancel"),
]
