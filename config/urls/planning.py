"""The lookout, its alerts, and the rounds."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from servicing.pages import lookout

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path(f"{OPERATOR}/", lookout.lookout, name="lookout"),
    path(f"{OPERATOR}/alerts/", lookout.alerts, name="alerts"),
    path(f"{OPERATOR}/alerts/<uuid:alert_id>/note", lookout.take_note, name="take-note"),
]
