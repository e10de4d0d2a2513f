"""The lookout, its alerts, and the rounds."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from servicing.pages import alerts, lookout, planning, rounds

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path(f"{OPERATOR}/", lookout.lookout, name="lookout"),
    path(f"{OPERATOR}/lookout/changes", lookout.changes, name="lookout-changes"),
    path(f"{OPERATOR}/lookout/<str:code>/noted", alerts.take_note_at_site, name="take-note-at-site"),
    path(f"{OPERATOR}/alerts/", alerts.alerts, name="alerts"),
    path(f"{OPERATOR}/alerts/<uuid:alert_id>/note", alerts.take_note, name="take-note"),
    path(f"{OPERATOR}/rounds/", rounds.rounds, name="rounds"),
    path(f"{OPERATOR}/rounds/plan", planning.plan_visit, name="plan-visit"),
    path(f"{OPERATOR}/rounds/<uuid:crew_id>/<str:day>", rounds.day_round, name="round"),
    path(f"{OPERATOR}/rounds/<uuid:crew_id>/<str:day>/plan", rounds.plan_round, name="plan-round"),
    path(f"{OPERATOR}/rounds/visits/<uuid:planned_visit_id>/move", planning.move_visit, name="move-visit"),
    path(f"{OPERATOR}/rounds/visits/<uuid:planned_visit_id>/shift", planning.shift_visit, name="shift-visit"),
    path(
        f"{OPERATOR}/rounds/visits/<uuid:planned_visit_id>/call-off",
        planning.call_off_visit,
        name="call-off-visit",
    ),
    path(
        f"{OPERATOR}/rounds/visits/<uuid:planned_visit_id>/take-off",
        planning.take_off_visit,
        name="take-off-visit",
    ),
    path(f"{OPERATOR}/sites/<str:code>/write-note", planning.write_note, name="write-note"),
    path(f"{OPERATOR}/notes/<uuid:note_id>/strike", planning.strike_note, name="strike-note"),
]
