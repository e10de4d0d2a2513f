"""Every address: people's pages, and the API of phones and programs."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path

from accounts.pages import set_up, signing_in
from billing.pages import accounts_of_customers as customers
from billing.pages import (
    ahead,
    billing_profiles,
    closing,
    contracting,
    contracts,
    crediting,
    documents,
    issuers,
    money,
    openings,
    payments,
    prices,
    royalty,
    shared,
)
from billing.queries.documents import billed_on_events
from config import errors, health
from config.schema import Schema
from servicing.pages import figures, lookout, lots, people, reports, sites, units, visiting

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

MONEY = f"{OPERATOR}/money"
money_pages: list[URLPattern | URLResolver] = [
    path(f"{MONEY}/", money.money, name="money"),
    path(f"{MONEY}/month", closing.month, name="month"),
    path(f"{MONEY}/month/preview", closing.preview_month, name="preview-month"),
    path(f"{MONEY}/month/close", closing.close_month, name="close-month"),
    path(f"{MONEY}/documents/", documents.document_list, name="documents"),
    path(f"{MONEY}/documents/<path:number>/credit", crediting.credit, name="credit"),
    path(f"{MONEY}/documents/<path:number>/send", documents.send_again, name="send-again"),
    *(
        path(
            f"{MONEY}/documents/<path:number>.{form}",
            documents.document_file,
            {"form": form},
            name="document-file",
        )
        for form in ("pdf", "xml", "json", "csv")
    ),
    path(f"{MONEY}/documents/<path:number>", documents.document, name="invoice"),
    path(f"{MONEY}/charges/<uuid:charge_id>", documents.charge, name="charge"),
    path(f"{MONEY}/customers/", customers.customer_list, name="customer-accounts"),
    path(f"{MONEY}/customers/<str:code>", customers.customer_account, name="customer-account"),
    path(f"{MONEY}/customers/<str:code>/statement", customers.send_statement, name="send-statement"),
    path(f"{MONEY}/customers/<str:code>/payment", payments.record_payment, name="record-payment"),
    path(
        f"{MONEY}/customers/<str:code>/payments/<uuid:payment_id>",
        payments.settle_payment,
        name="settle-payment",
    ),
    path(f"{MONEY}/customers/<str:code>/billing", billing_profiles.profile, name="billing-profile"),
    path(f"{MONEY}/customers/<str:code>/email", billing_profiles.set_email, name="billing-email"),
    path(f"{MONEY}/customers/<str:code>/orders", billing_profiles.add_order, name="add-order"),
    path(
        f"{MONEY}/customers/<str:code>/orders/<uuid:order_id>/end",
        billing_profiles.end_order,
        name="end-order",
    ),
    path(f"{MONEY}/customers/<str:code>/sites", billing_profiles.set_site, name="site-billing"),
    path(f"{MONEY}/customers/<str:code>/opening-debt", openings.add_debt, name="add-opening-debt"),
    path(f"{MONEY}/contracts/", contracts.contract_list, name="contracts"),
    path(f"{MONEY}/new-contract", contracting.new_contract, name="new-contract"),
    path(f"{MONEY}/contracts/<str:number>", contracts.contract, name="contract"),
    path(f"{MONEY}/contracts/<str:number>/terms", contracting.set_terms, name="contract-terms"),
    path(f"{MONEY}/contracts/<str:number>/sites", contracting.add_site, name="contract-sites"),
    path(
        f"{MONEY}/contracts/<str:number>/sites/<uuid:row_id>/end",
        contracting.end_site,
        name="end-contract-site",
    ),
    path(f"{MONEY}/contracts/<str:number>/notice", contracting.give_notice, name="contract-notice"),
    path(
        f"{MONEY}/contracts/<str:number>/notice/withdraw",
        contracting.withdraw_notice,
        name="withdraw-notice",
    ),
    path(f"{MONEY}/prices/", prices.price_list, name="prices"),
    path(f"{MONEY}/new-price-item", prices.new_item, name="new-price-item"),
    path(f"{MONEY}/index-figures", prices.index_figure, name="index-figure"),
    path(f"{MONEY}/prices/<str:code>", prices.price_item, name="price-item"),
    path(f"{MONEY}/prices/<str:code>/set", prices.set_price, name="set-price"),
    path(f"{MONEY}/issuers/", issuers.issuers, name="issuers"),
    path(f"{MONEY}/new-issuer", issuers.new_issuer, name="new-issuer"),
    path(f"{MONEY}/issuers/<str:code>", issuers.issuer, name="issuer"),
    path(f"{MONEY}/numbers", openings.series, name="number-series"),
    path(f"{MONEY}/tax-rates", issuers.set_tax_rate, name="tax-rate"),
]

pages: list[URLPattern | URLResolver] = [
    path("", signing_in.choose_operator, name="choose-operator"),
    path("sign-in/", signing_in.sign_in, name="sign-in"),
    path("sign-out/", signing_in.sign_out, name="sign-out"),
    # As printed on labels, in either case.
    re_path(r"^[Uu]/(?P<code>[^/]{9,20})$", units.scanned, name="scanned"),
    # What a mail links to: the signature in it is the key.
    path("shared/<str:token>", shared.shared, name="shared"),
    path("shared/<str:token>/<slug:form>", shared.shared_file, name="shared-file"),
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
    *money_pages,
    path(f"{OPERATOR}/ahead/", ahead.ahead, name="ahead"),
    path(f"{OPERATOR}/ahead/prices/<uuid:version_id>", ahead.announce_price, name="announce-price"),
    path(f"{OPERATOR}/royalty/", royalty.royalty, name="royalty"),
    path(f"{OPERATOR}/royalty/state", royalty.state, name="state-royalty"),
    path(f"{OPERATOR}/royalty/terms", royalty.terms, name="royalty-terms"),
    path(f"{OPERATOR}/royalty/<str:month>", royalty.statement, name="royalty-statement"),
    path(f"{OPERATOR}/set-up/", set_up.set_up, name="set-up"),
    path(f"{OPERATOR}/set-up/crew", set_up.add_crew, name="add-crew"),
    path(f"{OPERATOR}/set-up/phone", set_up.register_phone, name="register-phone"),
    path(f"{OPERATOR}/set-up/phone/<uuid:device_id>/revoke", set_up.revoke_phone, name="revoke-phone"),
    path(f"{OPERATOR}/set-up/people-named", people.named, name="people-named"),
    path(f"{OPERATOR}/set-up/people-named/<uuid:person_id>", people.person, name="person-named"),
    path(f"{OPERATOR}/set-up/people-named/<uuid:person_id>/erase", people.erase, name="erase-person"),
    path(f"{OPERATOR}/set-up/rules", set_up.set_service_rules, name="set-service-rules"),
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
