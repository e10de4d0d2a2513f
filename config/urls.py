"""Every address: people's pages, and the API of phones and programs."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path

from accounts import pages as accounts
from billing.pages import documents, money
from billing.queries.documents import billed_on_events
from config import errors, health
from config.schema import Schema
from servicing.pages import figures, lookout, lots, people, reports, sites, units, visiting

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path("", accounts.choose_operator, name="choose-operator"),
    path("sign-in/", accounts.sign_in, name="sign-in"),
    path("sign-out/", accounts.sign_out, name="sign-out"),
    # As printed on labels, in either case.
    re_path(r"^[Uu]/(?P<code>[^/]{9,20})$", units.scanned, name="scanned"),
    path(f"{OPERATOR}/", lookout.lookout, name="lookout"),
    path(f"{OPERATOR}/alerts/", lookout.alerts, name="alerts"),
    path(f"{OPERATOR}/alerts/<uuid:alert_id>/note", lookout.take_note, name="take-note"),
    path(f"{OPERATOR}/sites/", sites.sites, name="sites"),
    path(f"{OPERATOR}/sites/<str:code>", sites.site, name="site"),
    path(f"{OPERATOR}/sites/<str:code>/note", sites.take_note_of_all, name="take-note-of-all"),
    path(f"{OPERATOR}/sites/<str:code>/visit", visiting.visit, name="visit"),
    path(f"{OPERATOR}/sites/<str:code>/report", reports.receive, name="receive-report"),
    path(f"{OPERATOR}/sites/<str:code>/report/<uuid:event_id>/close", reports.close, name="close-report"),
    path(f"{OPERATOR}/units/", units.units, name="units"),
    path(f"{OPERATOR}/units/<str:code>", units.unit, {"billed_on": billed_on_events}, name="unit"),
    path(f"{OPERATOR}/units/<str:code>/undo/<uuid:event_id>", units.undo, name="undo"),
    path(f"{OPERATOR}/lots/", lots.lots, name="lots"),
    path(f"{OPERATOR}/lots/<path:lot>", lots.lot, name="lot"),
    path(f"{OPERATOR}/figures/", figures.figures, name="figures"),
    path(f"{OPERATOR}/money/", money.money, name="money"),
    path(f"{OPERATOR}/money/close", money.close_month, name="close-month"),
    path(f"{OPERATOR}/money/<str:number>", documents.invoice, name="invoice"),
    path(f"{OPERATOR}/set-up/", accounts.set_up, name="set-up"),
    path(f"{OPERATOR}/set-up/crew", accounts.add_crew, name="add-crew"),
    path(f"{OPERATOR}/set-up/phone", accounts.register_phone, name="register-phone"),
    path(f"{OPERATOR}/set-up/phone/<uuid:device_id>/revoke", accounts.revoke_phone, name="revoke-phone"),
    path(f"{OPERATOR}/set-up/people-named", people.named, name="people-named"),
    path(f"{OPERATOR}/set-up/people-named/<uuid:person_id>", people.person, name="person-named"),
    path(f"{OPERATOR}/set-up/people-named/<uuid:person_id>/erase", people.erase, name="erase-person"),
    path(f"{OPERATOR}/set-up/rules", accounts.set_service_rules, name="set-service-rules"),
]

api: list[URLPattern | URLResolver] = [
    path("schema", Schema.as_view(), name="api-schema"),
    path("", include("accounts.urls")),
    path("", include("fleet.urls")),
    path("", include("servicing.urls")),
    path("", include("billing.urls")),
]

# The pages come last: any one word is taken for an operator's.
urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
    path("problems", errors.problem_page, name="problems"),
    path("problems/<slug:code>", errors.problem_page, name="problem"),
    path("api/v1/", include(api)),
    *pages,
]

handler400 = "config.errors.bad_request"
handler403 = "config.errors.forbidden"
handler404 = "config.errors.not_found"
handler500 = "config.errors.server_error"
