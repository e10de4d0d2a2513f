"""A rival's id at every route that takes one: 404 as for an absent one, and nothing of the rival's changes."""

from __future__ import annotations

import json
from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest

from accounts import clock
from accounts.commands.customers import add_customers
from accounts.permissions import Role
from billing.commands.payments import NewPayment, record_payment
from billing.queries import settling
from servicing.commands.planning import plan_visit
from tests.api.callers import LISTS, api_routes, everything, failed, live, names_in, signed_in, view_of
from tests.cast import NOON, new_cast

SETTLING = {"allocations": [{"document": "OLD-1", "amount": "1.00"}]}
BODIES = {
    "api-agreement-end": {"ends_on": "2031-01-01"},
    "api-bank-entry-aside": {"reason": "Not ours"},
    "api-bank-entry-assignment": SETTLING,
    "api-customer-billing-email": {"email": "accounts@quay.example"},
    "api-contract-notice": {"given_on": "2026-06-01"},
    "api-contract-site-end": {"ends_before": "2031-01-01"},
    "api-contract-terms": {"effective_from": "2026-11-01"},
    "api-price-announcement": {"announced_on": "2026-06-01"},
    "api-purchase-order-end": {"ends_before": "2031-01-01"},
    "api-account-mapping": {"external_account": "8401"},
    "api-credit-note-allocations": SETTLING,
    "api-external-id": {"external_id": "D-1002"},
    "api-payment-return": {"returned_on": "2026-06-01"},
    "api-invoice-credit": {"reason": "Too much", "lines": [{"line": 1, "amount": "1.00"}]},
    "api-payment-allocations": SETTLING,
    "api-price-item-prices": {"amount": "14.00", "effective_from": "2026-09-01"},
    "api-service-event-counter": {"reason": "other"},
    "api-webhook-endpoint": {"url": "https://books.quay.example/hooks"},
    "api-webhook-replays": {"since": "2026-01-01T00:00:00Z"},
}
PROBES = {
    "api-account-mapping": "GET PUT DELETE",
    "api-agreement": "GET",
    "api-agreement-end": "POST",
    "api-alert": "GET",
    "api-alert-acknowledge": "POST",
    "api-bank-entry": "GET",
    "api-bank-entry-aside": "POST",
    "api-bank-entry-assignment": "POST",
    "api-bank-entry-return": "POST",
    "api-bank-statement": "GET",
    "api-charge-explanation": "GET",
    "api-contract": "GET",
    "api-contract-notice": "POST",
    "api-contract-prices": "GET",
    "api-contract-renewals": "GET",
    "api-contract-site-end": "POST",
    "api-contract-sites": "GET POST",
    "api-contract-terms": "GET POST",
    "api-credit-note": "GET",
    "api-credit-note-allocation-release": "POST",
    "api-credit-note-allocations": "GET POST",
    "api-credit-note-lines": "GET",
    "api-crew": "GET",
    "api-customer": "DELETE GET",
    "api-customer-billing-email": "POST",
    "api-customer-billing-profile": "GET POST",
    "api-customer-statement": "GET",
    "api-device": "GET",
    "api-device-revoke": "POST",
    "api-entry-code-showings": "POST",
    "api-external-id": "GET PUT DELETE",
    "api-import": "GET",
    "api-import-carry-out": "POST",
    "api-import-left-out": "GET",
    "api-invoice": "GET",
    "api-invoice-credit": "POST",
    "api-invoice-creditable": "GET",
    "api-invoice-lines": "GET",
    "api-payment": "GET",
    "api-payment-allocation-release": "POST",
    "api-payment-allocations": "POST",
    "api-payment-return": "POST",
    "api-personal-text": "GET",
    "api-photo": "GET",
    "api-price-announcement": "POST",
    "api-price-item-prices": "POST",
    "api-purchase-order-end": "POST",
    "api-quarantine-give-up": "POST",
    "api-quarantine-replay": "POST",
    "api-refund": "GET",
    "api-royalty-statement": "GET",
    "api-service-event": "GET",
    "api-service-event-counter": "POST",
    "api-service-event-proof": "GET",
    "api-site": "GET",
    "api-site-entry-codes": "GET",
    "api-site-standstills": "GET",
    "api-site-unit-states": "GET",
    "api-site-usual-crew": "POST",
    "api-unit": "GET",
    "api-unit-changes": "GET",
    "api-unit-events": "GET",
    "api-unit-state": "GET",
    "api-visit": "GET",
    "api-webhook-deliveries": "GET",
    "api-webhook-delivery": "GET",
    "api-webhook-endpoint": "GET PUT DELETE",
    "api-webhook-replay": "POST",
    "api-webhook-replays": "POST",
    "api-webhook-rotation": "POST",
    "api-webhook-test": "POST",
    "api-work-cancel": "POST",
    "api-work-one": "GET",
}


def routes_by_id():
    return {route.name: (address, route) for address, route in api_routes() if names_in(route)}


def test_every_route_with_an_id_has_a_probe_for_each_of_its_methods():
    methods = {name: set(view_of(route).permissions) for name, (_, route) in routes_by_id().items()}

    assert methods == {name: set(probed.split()) for name, probed in PROBES.items()}


def ask(client, name, method, values):
    address, route = routes_by_id()[name]
    if (name, method) == ("api-webhook-endpoint", "DELETE"):
        values = {**values, "endpoint_id": values["spare_endpoint_id"]}
    if name == "api-quarantine-replay":  # the other one is given up
        values = {**values, "job_id": values["spare_job_id"]}
    for part in names_in(route):
        address = address.replace(f"<uuid:{part}>", str(values[part])).replace(
            f"<str:{part}>", str(values[part])
        )
    path = address.removeprefix("api/v1/")
    named = {
        "api-bank-entry-return": {"payment": str(values["returned_payment_id"])},
        "api-contract-sites": {"site": str(values["free_site_id"]), "starts_on": "2026-06-01"},
        "api-site-usual-crew": {"crew": str(values["crew_id"])},
    }
    body = named.get(name) or BODIES.get(name)
    if method in {"PUT", "DELETE"}:
        return client.generic(method, f"/{address}", json.dumps(body or {}), content_type="application/json")
    return client.read(path) if method == "GET" else client.send(path, body)


@pytest.fixture(scope="module")
def rival(database):
    """An operator in whom much has happened, and the id of one row of each kind."""
    with clock.playing(NOON):
        south = new_cast("south")
        lived = live(south)
        idle = {"code": "C0", "name": "Nobody yet", "country": "DE"}
        lived["idle_customer_id"] = add_customers(actor=south.owner, customers=[idle])[0].id
        lived["spare_job_id"] = failed(south)[0]
        plan_visit(actor=south.owner, site_id=south.site.id, day=NOON.date())
        named = {f"{name}_id": row for name, row in references_of(south).items()}
        return south, named | lived


@pytest.mark.parametrize(
    ("name", "method"), [(name, method) for name in sorted(PROBES) for method in PROBES[name].split()]
)
def test_a_rivals_id_is_answered_as_an_absent_one_and_changes_nothing(north, rival, name, method):
    south, theirs = rival
    if (name, method) == ("api-customer", "DELETE"):  # only one of whom nothing is recorded can go
        theirs = {**theirs, "customer_id": theirs["idle_customer_id"]}
    absent = {part: uuid4() for part in theirs}
    before = everything(south)
    owner = signed_in(north)

    foreign, nowhere = ask(owner, name, method, theirs), ask(owner, name, method, absent)

    assert foreign.status_code == nowhere.status_code == 404
    bodies = [{**answer.json(), "instance": ""} for answer in (foreign, nowhere)]
    assert bodies[0] == bodies[1]
    assert everything(south) == before
    # The probe would find something: to the rival itself it does.
    role = Role.CREW_MEMBER if name == "api-entry-code-showings" else Role.OWNER
    own = signed_in(south, role)
    assert ask(own, name, method, theirs).status_code in {200, 201, 202, 204}


def test_no_list_shows_anything_of_a_rivals(north, rival):
    south, _ = rival
    tags = {str(south.operator.id), south.operator.slug, *(unit.code for unit in south.units)}

    seen = everything(north)

    assert set(everything(south)) == set(LISTS)
    assert all(everything(south).values())
    assert not [tag for tag in tags if tag in str(seen)]
    assert seen["service-events"] == []


MAY_DAYS = {"since": "2026-05-01", "until": "2026-05-31", "to": "accounts@quay.example"}
EARLIER = {"number": "A9", "anchor_on": "2025-01-01", "starts_on": "2025-01-01", "ends_on": "2025-07-01"}
NAMED_IN_BODIES = (
    ("api-agreements", "site", EARLIER),
    (
        "api-cartridges",
        "liquid",
        {"code": "C9", "name": "C", "volume_ml": 280, "nominal_dose_ml_per_day": "8"},
    ),
    ("api-contracts", "customer", {"number": "K-9", "starts_on": "2026-06-01"}),
    ("api-devices", "crew", {"label": "Phone"}),
    ("api-purchase-orders", "customer", {"number": "PO-9", "starts_on": "2026-06-01"}),
    ("api-purchase-orders", "site", {"number": "PO-9", "starts_on": "2026-06-01"}),
    ("api-opening-debts", "customer", {"number": "OLD-2", "issued_on": "2026-01-05", "amount": "5"}),
    ("api-external-ids", "id", {"system": "ledger", "kind": "customer", "external_id": "D-1003"}),
    ("api-payments", "customer", {"received_on": "2026-06-10", "amount": "5"}),
    ("api-refunds", "payment", {"paid_on": "2026-06-14", "amount": "0.50"}),
    ("api-reports", "site", {"kind": "odour"}),
    ("api-reports", "unit", {"kind": "odour"}),
    ("api-restrooms", "site", {"name": "Attic"}),
    ("api-site-billing", "site", {"cost_centre": "7 A"}),
    ("api-sites", "customer", {"code": "S8", "name": "Lock", "kind": "office", "zone": "Europe/Berlin"}),
    ("api-sites", "crew", {"code": "S9", "name": "Lock", "kind": "office", "zone": "Europe/Berlin"}),
    ("api-standstills", "site", {"starts_on": "2031-01-01", "billing": "none"}),
    ("api-statement-sendings", "customer", MAY_DAYS),
    ("api-stations", "restroom", {"name": "left", "fixture": "urinal"}),
    ("api-units", "unit_model", {"count": 1}),
)
WITH_CUSTOMER = {"api-purchase-orders", "api-sites"}
NAMES_NOTHING = {
    "api-bank-file-previews", "api-bank-files", "api-crews", "api-customers", "api-imports", "api-index-figures", "api-legal-entities", "api-liquids", "api-month-closes",
    "api-month-previews", "api-number-series", "api-personal-texts", "api-photos",
    "api-price-items", "api-royalty-statements", "api-royalty-terms", "api-sendings", "api-service-events",
    "api-service-rules", "api-tax-rates", "api-unit-models", "api-webhook-endpoints",
}  # fmt: skip


def test_every_reference_of_a_body_has_a_probe():
    posted = {
        route.name
        for _, route in api_routes()
        if not names_in(route) and "POST" in getattr(view_of(route), "permissions", ())
    }

    assert posted == {name for name, _, _ in NAMED_IN_BODIES} | NAMES_NOTHING


@pytest.mark.parametrize(("name", "field", "body"), NAMED_IN_BODIES)
def test_a_rivals_id_in_a_body_is_answered_as_an_absent_one(north, rival, name, field, body):
    south, theirs = rival
    path = next(address for address, route in api_routes() if route.name == name).removeprefix("api/v1/")
    client, before = signed_in(north), everything(south)
    whole = {**body, **({"customer": str(north.customer.id)} if name in WITH_CUSTOMER else {})}

    foreign = client.send(path, {**whole, field: str(theirs[f"{field}_id"])})
    nowhere = client.send(path, {**whole, field: str(uuid4())})

    assert foreign.status_code == nowhere.status_code == 404
    assert foreign.json() == nowhere.json()
    assert [error["pointer"] for error in foreign.json()["errors"]] == [f"/{field}"]
    assert everything(south) == before
    # The probe would add something: named by its owner it does.
    own = {field: str(references_of(north)[field])}
    assert client.send(path, {**whole, **own}).status_code == 201


def a_payment_of(cast):
    """The first one; where there is none, one is made."""
    with cast.reading():
        payment = settling.payments().first()
    new = NewPayment(cast.customer.id, date(2026, 6, 10), Decimal(5))
    return (payment or record_payment(actor=cast.owner, payment=new)).id


def references_of(cast):
    return {
        "crew": cast.crew.id,
        "customer": cast.customer.id,
        "id": cast.customer.id,
        "payment": a_payment_of(cast),
        "liquid": cast.cartridge.liquid_id,
        "restroom": cast.stations[0].restroom_id,
        "site": cast.site.id,
        "unit": cast.unit.id,
        "unit_model": cast.unit.unit_model_id,
    }


def test_a_rivals_crew_goes_to_no_site(north, rival):
    _, theirs = rival
    path = f"sites/{north.site.id}/usual-crew"
    client = signed_in(north)

    foreign = client.send(path, {"crew": str(theirs["crew_id"])})
    nowhere = client.send(path, {"crew": str(uuid4())})

    assert foreign.status_code == nowhere.status_code == 404
    assert foreign.json() == nowhere.json()
    assert [error["pointer"] for error in foreign.json()["errors"]] == ["/crew"]
    assert client.send(path, {"crew": str(north.crew.id)}).json()["crew"] == str(north.crew.id)


FILTERS = (
    ("open-documents", "customer", "customer_id"),
    ("payments", "customer", "customer_id"),
    ("refunds", "customer", "customer_id"),
    ("refunds", "payment", "payment_id"),
    ("accounting/external-ids", "id", "customer_id"),
    ("journal-entries", "customer", "customer_id"),
    ("sendings", "customer", "customer_id"),
    ("sites", "customer", "customer_id"),
    ("sites", "crew", "crew_id"),
    ("service-agreements", "site", "site_id"),
    ("devices", "crew", "crew_id"),
    ("restrooms", "site", "site_id"),
    ("stations", "site", "site_id"),
    ("units", "site", "site_id"),
    ("units", "crew", "crew_id"),
    ("service-events", "subject", "unit_id"),
    ("service-events", "visit", "visit_id"),
    ("visits", "site", "site_id"),
    ("visits", "crew", "crew_id"),
    ("reports", "site", "site_id"),
    ("alerts", "site", "site_id"),
    ("alerts", "unit", "unit_id"),
    ("alerts", "crew", "crew_id"),
    ("invoices", "customer", "customer_id"),
    ("contracts", "customer", "customer_id"),
    ("purchase-orders", "customer", "customer_id"),
    ("purchase-orders", "site", "site_id"),
    ("site-billing", "site", "site_id"),
    ("charges", "customer", "customer_id"),
    ("charges", "site", "site_id"),
    ("charges", "subject", "unit_id"),
    ("charges", "event", "event_id"),
)


def test_a_rivals_id_in_a_filter_finds_nothing_and_ones_own_does(north, lived, rival):
    _, theirs = rival
    owner = signed_in(north)

    foreign = {one: owner.read(one[0], **{one[1]: theirs[one[2]]}).json() for one in FILTERS}
    own = {one: owner.read(one[0], **{one[1]: lived[one[2]]}).json() for one in FILTERS}

    assert {one: page["results"] for one, page in foreign.items()} == {one: [] for one in FILTERS}
    assert [one for one, page in own.items() if not page["results"]] == []


def test_a_rivals_cursor_shows_ones_own_rows_only(north, rival):
    south, _ = rival
    cursor = signed_in(south).read("units", limit=1).json()["next"]

    answer = signed_in(north).read("units", after=cursor)

    assert {unit["id"] for unit in answer.json()["results"]} <= {str(unit.id) for unit in north.units}
