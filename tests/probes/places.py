"""What stands in the places of addresses: one row of an operator for each name that an address uses.

A name that a new address brings gets a line here; until then the coverage says which is missing.
"""

from __future__ import annotations

from uuid import UUID

from servicing.queries.months.sheet import Figure
from tests.api.callers import FAILED_KIND
from tests.probes.rows import Rows

_ID = "SELECT id::text FROM {} WHERE operator_id = %(operator)s {} ORDER BY id"


def _id(table: str, which: str = "") -> str:
    return _ID.format(table, f"AND {which}" if which else "")


def _column(table: str, column: str, which: str = "true") -> str:
    return f"SELECT {column}::text FROM {table} WHERE operator_id = %(operator)s AND {which} ORDER BY 1"


_EVENT = "SELECT event_id::text FROM servicing_event WHERE operator_id = %(operator)s AND type = '{}' ORDER BY position"

_UNIT_OF = (
    "SELECT u.code FROM fleet_unit u JOIN servicing_event e ON (e.operator_id, e.subject_id) = (u.operator_id, u.id) "
    "WHERE u.operator_id = %(operator)s AND e.type = '{}' ORDER BY e.position"
)

# By the name of the part; where one name means several things, by the word before it in the address.
QUESTIONS: dict[str, str] = {
    "any_event_id": _column("servicing_event", "event_id"),
    "agreement_id": _id("accounts_serviceagreement"),
    "alert_id": _id("servicing_alert", "closed_at IS NULL"),
    "allocation_id": _id("billing_allocation", "undoes_id IS NULL"),
    "cartridge_id": _id("fleet_cartridge"),
    "charge_id": _id("billing_charge"),
    "client_uuid": _column("accounts_machineclient", "uuid"),
    "code_id": _id("servicing_entrysecret"),
    "contact_id": _id("accounts_sitecontact"),
    "crew_id": _id("accounts_crew"),
    "customer_id": _id("accounts_customer"),
    "delivery_id": _id("billing_webhookdelivery"),
    "device_id": _id("accounts_device", "crew_id IS NOT NULL"),
    "endpoint_id": _id("billing_webhookendpoint"),
    "entry_id": _id("billing_bankentry", "credit"),
    "event_id": _EVENT.format("unit.installed"),
    "grant_id": _id("accounts_supportgrant"),
    "import_id": _id("accounts_longwork", "kind LIKE '%%look_at_import'"),
    "job_id": _id("accounts_job", "quarantined_at IS NOT NULL AND given_up_at IS NULL"),
    "link_id": _id("servicing_recordlink"),
    "liquid_id": _id("fleet_liquid"),
    "look_id": _id("accounts_longwork", "kind LIKE '%%look_at_import'"),
    "member_id": _id("accounts_member", "role = 'dispatcher'"),
    "note_id": _id("servicing_sitenote"),
    "order_id": _id("billing_purchaseorder"),
    "payment_id": _id("billing_payment"),
    "person_id": _column("servicing_personkey", "person_id"),
    "photo_id": _id("servicing_photo"),
    "planned_visit_id": _id("servicing_plannedvisit", "called_off_at IS NULL"),
    "restroom_id": _id("fleet_restroom"),
    "row_id": _id("billing_contractsite"),
    "secret_id": _id("accounts_clientsecret"),
    "sheet_id": _id("fleet_safetysheet"),
    "site_id": _id("accounts_site"),
    "statement_id": _id("billing_bankstatement"),
    "station_id": _id("fleet_station"),
    "text_id": _column("servicing_personaltext", "text_id"),
    "unit_id": _id("fleet_unit"),
    "unit_model_id": _id("fleet_unitmodel"),
    "version_id": _id("billing_priceversion"),
    "visit_id": _id("servicing_visit"),
    "work_id": _id("accounts_longwork"),
    "contracts/number": _column("billing_contract", "number"),
    "customers/code": _column("accounts_customer", "code", "code LIKE '%%C1'"),
    "documents/number": _column("billing_document", "number", "kind = 'invoice'"),
    "issuers/code": _column("billing_legalentity", "code"),
    "lookout/code": _column("accounts_site", "code", "code LIKE '%%S1'"),
    "prices/code": _column("billing_priceitem", "code"),
    "remove-customer/code": _column("accounts_customer", "code", "code NOT LIKE '%%C1'"),
    "sites/code": _column("accounts_site", "code", "code LIKE '%%S1'"),
    "units/code": _column("fleet_unit", "code"),
    "U/code": _column("fleet_unit", "code"),
}
# Of some addresses only one of several rows.
OF_ROUTES: dict[tuple[str, str], str] = {
    ("correct", "event_id"): _EVENT.format("cartridge.exchanged"),
    ("correct", "code"): _UNIT_OF.format("cartridge.exchanged"),
    ("undo", "code"): _UNIT_OF.format("unit.installed"),
    ("close-report", "event_id"): _column("servicing_report", "event_id"),
    ("end-standstill", "event_id"): _column("servicing_standstill", "event_id"),
    ("undo-standstill", "event_id"): _column("servicing_standstill", "event_id"),
    ("record-told", "event_id"): _column("servicing_report", "event_id"),
    ("import-one-left-out", "work_id"): _id("accounts_longwork", "kind LIKE '%%look_at_import'"),
    ("refund-credit", "number"): _column("billing_document", "number", "kind = 'credit_note'"),
}
# Words that are everybody's: there is no rival's one of them.
SHARED: dict[str, str] = {
    "day": "2026-06-15",
    "figure": next(iter(Figure)).value,
    "form": "pdf",
    "job_kind": FAILED_KIND,
    "kind": "sites",
    "lot": "L-1",
    "month": "2026-05",
    "text": "2026-05",
}


def value_of(rows: Rows, operator: UUID, route: str, key: str, name: str) -> str | None:
    """The value that a part of an address takes; None when nothing of the kind is known, or the operator has none.

    ``key`` is the word before the part and its name.
    """
    question = OF_ROUTES.get((route, name)) or QUESTIONS.get(key) or QUESTIONS.get(name)
    found = rows.ask(question, operator=operator) if question else []
    return str(found[0]) if found else None


def more_ids(rows: Rows, operator: UUID, known: dict[str, str]) -> dict[str, str]:
    """The ids that are known already, and one row of every other kind that the operator has."""
    found = dict(known)
    for name, question in QUESTIONS.items():
        if "/" not in name and name not in found and (asked := rows.ask(question, operator=operator)):
            found[name] = str(asked[0])
    return found
