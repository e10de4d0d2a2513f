"""What customers read by a link: documents, and the service record; and where the office makes such links."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path, re_path

from billing.pages import shared
from servicing.pages import links, record, record_files, record_reports

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

RECORD = "r/<str:token>"
SITE = f"{RECORD}/<uuid:site_id>"

pages: list[URLPattern | URLResolver] = [
    # What a mail links to: the signature in it is the key.
    path("shared/<str:token>", shared.shared, name="shared"),
    path("shared/<str:token>/<slug:form>", shared.shared_file, name="shared-file"),
    path(RECORD, record.opened, name="record"),
    # As the code beside a restroom's door says it: a code of capitals and digits alone is the smallest.
    re_path(r"^R/(?P<token>[^/]+)$", record.opened, name="record-scanned"),
    path(f"{RECORD}/photos/<uuid:photo_id>.jpg", record.photo, name="record-photo"),
    path(f"{RECORD}/sheets/<uuid:sheet_id>.pdf", record.sheet, name="record-sheet"),
    path(SITE, record.one_site, name="record-site"),
    path(f"{SITE}/report", record_reports.report, name="record-report"),
    path(f"{SITE}/report/<uuid:event_id>", record_reports.told, name="record-told"),
    *(
        path(f"{SITE}/<str:text>.{form}", record_files.month_file, {"form": form}, name="record-month-file")
        for form in ("pdf", "csv")
    ),
    path(f"{SITE}/<str:text>", record.one_month, name="record-month"),
    path(f"{OPERATOR}/sites/<str:code>/record-links", links.site_links, name="record-links"),
    path(f"{OPERATOR}/sites/<str:code>/record-links/codes", links.codes, name="record-codes"),
    path(
        f"{OPERATOR}/set-up/customers/<str:code>/record-links",
        links.customer_links,
        name="customer-record-links",
    ),
    path(f"{OPERATOR}/record-links/<uuid:link_id>/revoke", links.revoke, name="revoke-record-link"),
    path(f"{OPERATOR}/planned/<uuid:planned_visit_id>/announce", links.announce, name="announce-visit"),
]
