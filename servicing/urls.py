"""The API's addresses of servicing, under /api/v1/."""

from django.urls import path

from servicing.api import (
    entries,
    events,
    field,
    figures,
    fits,
    history,
    imports,
    photos,
    seals,
    texts,
    units,
)

urlpatterns = [
    path("service-events", events.ServiceEvents.as_view(), name="api-service-events"),
    path("service-events/<uuid:event_id>", events.ServiceEvent.as_view(), name="api-service-event"),
    path(
        "service-events/<uuid:event_id>/counter",
        events.ServiceEventCounter.as_view(),
        name="api-service-event-counter",
    ),
    path(
        "service-events/<uuid:event_id>/proof",
        seals.ServiceEventProof.as_view(),
        name="api-service-event-proof",
    ),
    path("seals", seals.Seals.as_view(), name="api-seals"),
    path("service-figures", figures.ServiceFiguresDoor.as_view(), name="api-service-figures"),
    path("wick-figures", figures.WickFiguresDoor.as_view(), name="api-wick-figures"),
    path("fits", fits.Fits.as_view(), name="api-fits"),
    path("units", units.Units.as_view(), name="api-units"),
    path("units/<uuid:unit_id>", units.UnitDoor.as_view(), name="api-unit"),
    path("units/<uuid:unit_id>/service-events", events.UnitEvents.as_view(), name="api-unit-events"),
    path("units/<uuid:unit_id>/state", history.UnitStateDoor.as_view(), name="api-unit-state"),
    path("units/<uuid:unit_id>/changes", history.UnitChanges.as_view(), name="api-unit-changes"),
    path("sites/<uuid:site_id>/unit-states", history.SiteUnitStates.as_view(), name="api-site-unit-states"),
    path("sites/<uuid:site_id>/standstills", field.SiteStandstills.as_view(), name="api-site-standstills"),
    path("sites/<uuid:site_id>/entry-codes", entries.SiteEntryCodes.as_view(), name="api-site-entry-codes"),
    path(
        "sites/<uuid:site_id>/entry-codes/<uuid:entry_code_id>/showings",
        entries.EntryCodeShowings.as_view(),
        name="api-entry-code-showings",
    ),
    path("standstills", field.Standstills.as_view(), name="api-standstills"),
    path("visits", field.Visits.as_view(), name="api-visits"),
    path("visits/<uuid:visit_id>", field.VisitDoor.as_view(), name="api-visit"),
    path("personal-texts", texts.PersonalTexts.as_view(), name="api-personal-texts"),
    path("personal-texts/<uuid:text_id>", texts.PersonalTextDoor.as_view(), name="api-personal-text"),
    path("photos", photos.Photos.as_view(), name="api-photos"),
    path("photos/<uuid:photo_id>", photos.PhotoDoor.as_view(), name="api-photo"),
    path("imports", imports.Imports.as_view(), name="api-imports"),
    path("imports/<uuid:import_id>", imports.ImportDoor.as_view(), name="api-import"),
    path(
        "imports/<uuid:import_id>/carry-out",
        imports.ImportCarryingOut.as_view(),
        name="api-import-carry-out",
    ),
    path("imports/<uuid:import_id>/left-out", imports.ImportLeftOut.as_view(), name="api-import-left-out"),
    path("reports", field.Reports.as_view(), name="api-reports"),
    path("findings", field.Findings.as_view(), name="api-findings"),
    path("alerts", field.Alerts.as_view(), name="api-alerts"),
    path("alerts/<uuid:alert_id>", field.AlertDoor.as_view(), name="api-alert"),
    path(
        "alerts/<uuid:alert_id>/acknowledge",
        field.AlertAcknowledgement.as_view(),
        name="api-alert-acknowledge",
    ),
]
