"""One good call of every operation, on an operator in whom something of every kind has happened.

Whoever adds an operation that takes a body adds it to ``BODIES``; one whose address takes a row of its own to ``PLACES``.
The calls make the examples of the description (``test_examples``), and are where odd requests begin (the drills).
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4, uuid5

from PIL import Image

from accounts import clock
from servicing.commands.planning import plan_visit
from tests.api.callers import Api, failed, made, owed, phone_of, signed_in
from tests.billing.bank.files import Entry as BankLine
from tests.billing.bank.files import Said as BankSaid
from tests.billing.bank.files import camt
from tests.cast import Cast

MONTH = {"month": "2026-05-01"}


@dataclass(frozen=True)
class Setting:
    """Who is called, by whom, and the ids of one row of each kind by the names that addresses use."""

    cast: Cast
    api: Api
    ids: Mapping[str, str]

    def add(self, path: str, body: Any) -> Any:
        """A row made for one call, as the answer shows it."""
        answer = made(self.api.send(path, body))
        return answer[0] if isinstance(answer, list) else answer


@dataclass(frozen=True)
class Call:
    """An operation called: what was sent, and the answer."""

    name: str
    path: str
    method: str
    request: Any
    answer: Any


Body = Callable[[Setting], Any]
BODIES: dict[str, Body] = {
    # parties
    "add_customers": lambda s: [
        {"code": "C7", "name": "Lock Hotels", "country": "AT", "billing_email": "books@lock.example"}
    ],
    "add_sites": lambda s: [
        {
            "customer": s.ids["customer_id"],
            "code": "S7",
            "name": "Lock House",
            "kind": "hotel",
            "zone": "Europe/Vienna",
            "latitude": "48.208174",
            "longitude": "16.373819",
        }
    ],
    "add_service_agreements": lambda s: [
        {"site": s.ids["free_site_id"], "number": "A7", "anchor_on": "2026-07-20", "starts_on": "2026-07-01"}
    ],
    "end_service_agreement": lambda s: {"ends_on": "2027-01-01"},
    "set_customer_billing_email": lambda s: {"email": "accounts@quay.example"},
    "set_customer_billing_profile": lambda s: {"payment_days": 30, "vat_id": "DE123456789"},
    "set_legal_entity": lambda s: {
        "code": "AT",
        "legal_name": "Fixture Care Vienna",
        "country": "AT",
        "regime": "vat",
        "vat_id": "ATU12345678",
        "iban": "AT61 1904 3002 3457 3201",
    },
    "set_site_billing": lambda s: [{"site": s.ids["site_id"], "cost_centre": "7 A"}],
    "add_purchase_orders": lambda s: [
        {"customer": s.ids["customer_id"], "number": "PO-2", "starts_on": "2026-07-01", "limit": "500.00"}
    ],
    "end_purchase_order": lambda s: {"ends_before": "2026-12-01"},
    "set_site_usual_crew": lambda s: {"crew": s.ids["crew_id"]},
    # people
    "add_crew": lambda s: {"name": "Crew B"},
    "register_device": lambda s: {"crew": s.ids["crew_id"], "label": "Phone of crew B"},
    "set_service_rules": lambda s: {"effective_from": "2026-08-01", "dry_soon_days": 4},
    # fleet
    "add_unit_model": lambda s: {"name": "Flush unit", "reservoir_ml": 60},
    "add_liquid": lambda s: {"name": "Enzyme cleaner", "family": "enzyme"},
    "add_cartridge": lambda s: {
        "code": "C500",
        "name": "500 mL",
        "liquid": s.add("liquids", {"name": "Citric cleaner", "family": "acid"})["id"],
        "volume_ml": 500,
        "nominal_dose_ml_per_day": "12.5",
    },
    "add_restrooms": lambda s: [{"site": s.ids["site_id"], "name": "First floor"}],
    "add_stations": lambda s: [
        {"restroom": str(s.cast.stations[0].restroom_id), "name": "left", "fixture": "urinal"}
    ],
    "print_labels": lambda s: {"unit_model": str(s.cast.unit.unit_model_id), "count": 2},
    # servicing
    "upload_service_events": lambda s: {"events": [s.cast.exchanged(s.cast.units[0])]},
    "counter_service_event": lambda s: {"reason": "other"},
    "begin_standstill": lambda s: {
        "site": s.ids["free_site_id"],
        "starts_on": "2026-08-01",
        "billing": "half",
    },
    "add_report": lambda s: {
        "site": s.ids["site_id"],
        "kind": "odour",
        "who": "A caretaker",
        "said": "It smells on the ground floor",
    },
    "keep_personal_text": lambda s: {"who": "A caretaker", "said": "It smells on the ground floor"},
    "keep_photo": lambda s: _jpeg(),
    "send_import": lambda s: b"code,name,country\nC63,Sluice House,DE\n",
    "carry_out_import": lambda s: {"only_if_all_good": False},
    "acknowledge_alert": lambda s: None,
    "give_up_failed_job": lambda s: None,
    "replay_failed_job": lambda s: None,
    "revoke_device": lambda s: None,
    # prices and contracts
    "add_price_items": lambda s: [
        {
            "code": "leak",
            "name": "Leak stopped",
            "basis": "event",
            "event_type": "leak.stopped",
            "amount": "18.50",
            "effective_from": "2026-07-01",
        }
    ],
    "set_price": lambda s: {"amount": "14.00", "effective_from": "2026-09-01"},
    "announce_price": lambda s: {"announced_on": "2026-06-01"},
    "record_index_figure": lambda s: {"code": "CPI", "month": "2026-02-01", "value": "121.9"},
    "set_tax_rate": lambda s: {
        "jurisdiction": "AT",
        "tax_class": "standard",
        "category": "S",
        "rate": "20",
        "effective_from": "2026-07-01",
    },
    "add_contract": lambda s: {
        "number": "K-2",
        "customer": s.ids["customer_id"],
        "starts_on": "2026-09-01",
        "sites": [{"site": s.ids["free_site_id"]}],
        "terms": {
            "mode": "base_plus",
            "base_units": 4,
            "visit_minimum": "38.00",
            "inclusions": [{"event_type": "wick.changed", "count": 1, "per": "unit", "every": "year"}],
        },
    },
    "set_contract_terms": lambda s: {"effective_from": "2026-11-01", "mode": "flat_site"},
    "add_contract_site": lambda s: {"site": _another_site(s), "starts_on": "2026-07-01"},
    "end_contract_site": lambda s: {"ends_before": "2026-12-01"},
    "set_contract_notice": lambda s: {"given_on": "2026-06-01"},
    # closing
    "preview_month": lambda s: MONTH,
    "close_month": lambda s: MONTH,
    "set_number_series": lambda s: {"kind": "credit_note", "legal_entity": "AT", "next_number": 40},
    # documents
    "credit_invoice": lambda s: {"reason": "Not served on 4 May", "lines": [{"line": 1, "amount": "2.00"}]},
    "send_document": lambda s: {"document": s.ids["number"], "to": "accounts@quay.example"},
    "send_statement": lambda s: {
        "customer": s.ids["customer_id"],
        "since": "2026-05-01",
        "until": "2026-05-31",
        "to": "accounts@quay.example",
    },
    # payments
    "record_opening_debts": lambda s: [
        {"customer": s.ids["customer_id"], "number": "OLD-2", "issued_on": "2026-01-05", "amount": "80.00"}
    ],
    "record_payments": lambda s: [
        {
            "customer": s.ids["customer_id"],
            "received_on": "2026-06-10",
            "amount": "50.00",
            "method": "transfer",
            "reference": "INV-000001",
            "external_id": "bank-2026-06-10-0001",
            "allocations": [{"document": "OLD-1", "amount": "40.00"}],
        }
    ],
    "allocate_payment": lambda s: {"allocations": [{"document": "OLD-1", "amount": "4.00"}]},
    "allocate_credit_note": lambda s: {"allocations": [{"document": "OLD-1", "amount": "1.00"}]},
    "add_refund": lambda s: {
        "payment": s.ids["payment_id"],
        "amount": "1.00",
        "paid_on": "2026-06-12",
        "method": "transfer",
        "reference": "Paid twice",
        "external_id": "bank-2026-06-12-0007",
    },
    "release_payment_allocation": lambda s: None,
    "release_credit_note_allocation": lambda s: None,
    "preview_bank_file": lambda s: _bank_file("2026/118"),
    "import_bank_file": lambda s: _bank_file("2026/118"),
    "assign_bank_entry": lambda s: {
        "customer": s.ids["customer_id"],
        "allocations": [{"document": "OLD-1", "amount": "2.00"}],
    },
    "set_aside_bank_entry": lambda s: {"reason": "Interest of the account"},
    "return_bank_entry": lambda s: {"payment": s.ids["returned_payment_id"]},
    "return_payment": lambda s: {"returned_on": "2026-06-12", "reason": "No funds"},
    # accounting
    "add_external_ids": lambda s: [
        {"system": "books", "kind": "customer", "id": s.ids["customer_id"], "external_id": "D-10042"}
    ],
    "set_external_id": lambda s: {"external_id": "D-10042"},
    "remove_external_id": lambda s: None,
    "set_account_mapping": lambda s: {"external_account": "8400", "external_name": "Revenue at 19 %"},
    "remove_account_mapping": lambda s: None,
    # webhooks
    "add_webhook_endpoint": lambda s: {
        "url": "https://books.example/hooks/wickround",
        "description": "The accounts",
        "kinds": ["invoice", "credit_note", "payment"],
    },
    "set_webhook_endpoint": lambda s: {"url": "https://books.example/hooks/wickround", "live": True},
    "test_webhook_endpoint": lambda s: None,
    "rotate_webhook_secret": lambda s: {"overlap_hours": 48},
    "replay_webhook_delivery": lambda s: None,
    "replay_webhook_deliveries": lambda s: {"since": "2026-06-14T00:00:00Z", "failed_only": True},
    "remove_webhook_endpoint": lambda s: None,
    # network
    "set_royalty_terms": lambda s: {
        "effective_from": "2026-06-01",
        "network_name": "Drip Network",
        "basis": "collected",
        "tiers": [{"upto": "10000.00", "percent": "6"}, {"upto": None, "percent": "5"}],
    },
    "state_royalty_month": lambda s: {"month": "2026-06-01"},
}
# What only a crew's phone may do: here for the visit that is planned for it today.
BY_PHONE = {"show_entry_code"}
# What an address can't be asked without, besides its places.
QUERIES: dict[str, Callable[[Setting], dict[str, str]]] = {
    "get_month_checklist": lambda s: MONTH,
    "send_import": lambda s: {"kind": "customers", "name": "customers.csv"},
    "keep_photo": lambda s: {
        "id": str(uuid4()),
        "unit": s.ids["unit_id"],
        "taken_at": "2026-06-10T09:00:00Z",
    },
}
# At another time than that of the tests.
LATER = {"state_royalty_month": datetime(2026, 7, 3, 9, tzinfo=UTC)}
# What a body that is a file is, where it is no XML.
FILES = {"keep_photo": "image/jpeg", "send_import": "text/csv"}
# Rows of a call's own, where the usual one has done its part.
PLACES: dict[str, Callable[[Setting], dict[str, str]]] = {
    "give_up_failed_job": lambda s: {"job_id": str(failed(s.cast)[0])},
    "replay_failed_job": lambda s: {"job_id": str(failed(s.cast)[0])},
    "cancel_work": lambda s: {"work_id": str(owed(s.cast, date(2026, 7, 1)).id)},
    "counter_service_event": lambda s: {"event_id": _an_event(s)},
    "set_aside_bank_entry": lambda s: {"bank_entry_id": _waiting(s)},
    "show_entry_code": lambda s: {"site_id": _visited_today(s)},
    "remove_customer": lambda s: {
        "customer_id": s.add("customers", [{"code": "C9", "name": "Nobody yet", "country": "DE"}])["id"]
    },
}


def _jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG")
    return out.getvalue()


def _bank_file(name: str) -> bytes:
    """A statement on which one movement is a payment of ours, and one is not."""
    said = (
        BankLine("1.50", "OLD-1", bank=f"{name}/1", end_to_end="NOTPROVIDED"),
        BankLine("0.25", "Interest", bank=f"{name}/2"),
    )
    return camt(BankSaid(said, id=name))


def _waiting(s: Setting) -> str:
    """A movement that nobody has said yet what it is."""
    s.api.post("/api/v1/bank-files", _bank_file("2026/119"), content_type="application/xml")
    waiting = s.api.read("bank-entries", state="unmatched", limit=200).json()["results"]
    return next(one["id"] for one in waiting if one["amount"] == "0.25")


def _another_site(s: Setting) -> str:
    body = {
        "customer": s.ids["customer_id"],
        "code": "S8",
        "name": "Yard",
        "kind": "office",
        "zone": "Europe/Berlin",
    }
    return s.add("sites", [body])["id"]


def _visited_today(s: Setting) -> str:
    site = s.cast.site
    plan_id = uuid5(site.id, "visited today")
    plan_visit(actor=s.cast.dispatcher, site_id=site.id, day=clock.today(site.zone), id=plan_id)
    return str(site.id)


def _an_event(s: Setting) -> str:
    event = s.cast.exchanged(at=clock.now() - timedelta(hours=2))
    s.cast.upload(event)
    return event["id"]


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Name, address and method of each: those that only read come first, then in the order of ``BODIES``."""
    found = [
        (one["operationId"], path, method)
        for path, item in document["paths"].items()
        for method, one in item.items()
    ]
    order = list(BODIES)
    yield from sorted(
        found, key=lambda one: (one[2] != "get", order.index(one[0]) if one[0] in BODIES else -1)
    )


def every_call(cast: Cast, ids: Mapping[str, Any], document: dict[str, Any]) -> Iterator[Call]:
    """Call every operation once, and give each call as it was answered."""
    setting = Setting(cast, signed_in(cast), {name: str(value) for name, value in ids.items()})
    for name, path, method in operations(document):
        with clock.playing(LATER.get(name, clock.now())):
            if name in LATER:
                # By then nobody is signed in any more.
                setting = replace(setting, api=signed_in(cast))
            answered = call(setting, name, path, method)
        yield answered


def call(setting: Setting, name: str, path: str, method: str) -> Call:
    places = {**setting.ids, **PLACES.get(name, lambda s: {})(setting)}
    address = path.format(**places)
    query = QUERIES.get(name, lambda s: {})(setting)
    body = BODIES.get(name, lambda s: None)(setting)
    api = phone_of(setting.cast) if name in BY_PHONE else setting.api
    if method == "get":
        return Call(name, path, method, None, api.get(address, query))
    if query:
        address += "?" + "&".join(f"{key}={value}" for key, value in query.items())
    sender = getattr(api, method)
    if isinstance(body, bytes):
        kind = FILES.get(name, "application/xml")
        return Call(name, path, method, body, sender(address, body, content_type=kind))
    return Call(name, path, method, body, sender(address, body, content_type="application/json"))
