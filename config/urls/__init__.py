"""Every address: people's pages, and the API of phones and programs."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path

from accounts.pages import passwords, second_factor, signing_in
from config import health, problem_pages, service_page
from config.metrics import page as figures
from config.schema.view import Schema
from config.urls import fleet_pages, leaving, money, months, oauth, places, planning, records, setting_up
from servicing.pages import units

pages: list[URLPattern | URLResolver] = [
    path("", signing_in.choose_operator, name="choose-operator"),
    path("sign-in/", signing_in.sign_in, name="sign-in"),
    path("sign-in/code", second_factor.second_factor, name="second-factor"),
    path("sign-in/set-up-code", second_factor.set_up, name="set-up-second-factor"),
    path("sign-in/recovery-codes", second_factor.recovery_codes, name="recovery-codes"),
    path("sign-in/forgotten", passwords.forgotten_password, name="forgotten-password"),
    path("sign-in/new-password", passwords.new_password_set, name="new-password-set"),
    path("sign-in/new-password/<uuid:person_id>/<str:token>", passwords.new_password, name="new-password"),
    path("sign-out/", signing_in.sign_out, name="sign-out"),
    # As printed on labels, in either case.
    re_path(r"^[Uu]/(?P<code>[^/]{9,20})$", units.scanned, name="scanned"),
    *records.pages,
    *planning.pages,
    *places.pages,
    *months.pages,
    *money.pages,
    *setting_up.pages,
    *leaving.pages,
    *fleet_pages.pages,
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
    path("metrics", figures.metrics, name="metrics"),
    path("service/", service_page.service, name="service"),
    path("problems", problem_pages.problem_page, name="problems"),
    path("problems/<slug:code>", problem_pages.problem_page, name="problem"),
    path("api/v1/", include(api)),
    *oauth.urlpatterns,
    *pages,
]

handler400 = "config.errors.bad_request"
handler403 = "config.errors.forbidden"
handler404 = "config.errors.not_found"
handler500 = "config.errors.server_error"
