"""Sites and units, what is recorded there, and the search."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from billing.queries.documents import billed_on_events
from billing.queries.search import find_documents
from servicing.pages import (
    correcting,
    entries,
    lots,
    opening,
    photos,
    reports,
    search,
    sites,
    units,
    visiting,
)

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path(f"{OPERATOR}/search", search.search, {"find_documents": find_documents}, name="search"),
    path(f"{OPERATOR}/sites/", sites.sites, name="sites"),
    path(f"{OPERATOR}/sites/<str:code>", sites.site, name="site"),
    path(f"{OPERATOR}/sites/<str:code>/note", sites.take_note_of_all, name="take-note-of-all"),
    path(f"{OPERATOR}/sites/<str:code>/visit", visiting.visit, name="visit"),
    path(f"{OPERATOR}/sites/<str:code>/entry", entries.show, name="show-entry"),
    path(f"{OPERATOR}/set-up/sites/<str:code>/entry", entries.codes, name="entry-codes"),
    path(
        f"{OPERATOR}/set-up/sites/<str:code>/entry/<uuid:code_id>/strike",
        entries.strike,
        name="strike-entry-code",
    ),
    path(f"{OPERATOR}/sites/<str:code>/report", reports.receive, name="receive-report"),
    path(f"{OPERATOR}/sites/<str:code>/report/<uuid:event_id>/close", reports.close, name="close-report"),
    path(f"{OPERATOR}/units/", units.units, name="units"),
    path(f"{OPERATOR}/units/<str:code>", units.unit, {"billed_on": billed_on_events}, name="unit"),
    path(f"{OPERATOR}/units/<str:code>/opening", opening.open_unit, name="open-unit"),
    path(f"{OPERATOR}/units/<str:code>/undo/<uuid:event_id>", units.undo, name="undo"),
    path(
        f"{OPERATOR}/units/<str:code>/correct/<uuid:event_id>",
        correcting.correct,
        name="correct",
    ),
    path(f"{OPERATOR}/photos/<uuid:photo_id>.jpg", photos.picture, name="photo"),
    path(f"{OPERATOR}/photos/<uuid:photo_id>/remove", photos.remove, name="remove-photo"),
    path(f"{OPERATOR}/lots/", lots.lots, name="lots"),
    path(f"{OPERATOR}/lots/<path:lot>", lots.lot, name="lot"),
]
