"""What a program of the accounts writes back: payments in every manner, refunds, returns, names and account numbers."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal
from uuid import uuid4

import pytest

from accounts.permissions import Role
from billing.models import Document
from tests.api.callers import made, program_of, refused, signed_in
from tests.billing.books_of_account import Said, content, issue
from tests.cast import new_cast

NOBODY = "0198d3f5-0000-7000-8000-000000000000"


@pytest.fixture
def north_billed(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return north


@pytest.fixture
def program(north_billed):
    """A program that may write payments and read what it wrote, and nothing else."""
    return program_of(
        north_billed, "payments:record", "payments:read", "invoices:read", "journal:read", "books:map"
    )


def send(program, path, body):
    """As a program sends it: with a key of its own for each thing it does."""
    return program.send(path, body, headers={"Idempotency-Key": f'"{uuid4()}"'})


def payment(cast, amount="119.00", *settled, **rest):
    allocations = [{"document": number, "amount": part} for number, part in settled]
    body = {"customer": str(cast.customer.id), "received_on": "2026-06-10", "amount": amount, **rest}
    return {**body, "allocations": allocations} if allocations else body


def left_of(program):
    return {one["number"]: one["left"] for one in program.read("open-documents").json()["results"]}


def credited(cast, amount="50.00"):
    with cast.reading():
        invoice = Document.objects.get(number="INV-000002")
    note = content("credit_note", [Said(amount)], number="CRN-000001", issued_on="2026-06-12", due_on=None)
    issue(cast, note, corrects=invoice)


def test_part_over_and_unallocated_payments_are_written_and_settled(north_billed, program):
    part = made(send(program, "payments", payment(north_billed, "19.00", ("INV-000001", "19.00"))))
    over = made(send(program, "payments", payment(north_billed, "120.00", ("INV-000001", "100.00"))))
    kept = made(send(program, "payments", payment(north_billed, "30.00", external_id="BANK-9")))

    assert (part["left"], over["left"], kept["left"]) == ("0.00", "20.00", "30.00")
    assert left_of(program) == {"INV-000002": "50.00"}
    settled = {"allocations": [{"document": "INV-000002", "amount": "20.00"}]}
    assert made(send(program, f"payments/{over['id']}/allocations", settled))["left"] == "0.00"
    settled["allocations"][0]["amount"] = "30.00"
    whole = made(send(program, f"payments/{kept['id']}/allocations", settled))
    assert (whole["left"], left_of(program)) == ("0.00", {})
    assert [(one["document"], one["amount"]) for one in whole["allocations"]] == [("INV-000002", "30.00")]
    again = made(send(program, "payments", payment(north_billed, "30.00", external_id="BANK-9")))
    assert again["id"] == kept["id"]
    other = send(program, "payments", payment(north_billed, "31.00", external_id="BANK-9"))
    assert refused(other, 409) == ["/external_id"]
    assert len(program.read("payments").json()["results"]) == 3


def test_money_is_paid_back_of_a_payment_and_of_a_credit_note(north_billed, program):
    paid = made(send(program, "payments", payment(north_billed, "180.00", ("INV-000002", "50.00"))))
    credited(north_billed)
    back = {"payment": paid["id"], "amount": "30.00", "paid_on": "2026-06-12", "external_id": "OUT-1"}
    given = {"credit_note": "CRN-000001", "amount": "50.00", "paid_on": "2026-06-13", "method": "cash"}

    one, two = made(send(program, "refunds", [back, given]))

    assert (one["kind"], one["payment"], one["credit_note"], one["amount"], one["currency"]) == (
        "refund",
        paid["id"],
        "",
        "30.00",
        "EUR",
    )
    assert (two["payment"], two["credit_note"], two["method"]) == (None, "CRN-000001", "cash")
    assert program.read(f"refunds/{one['id']}").json() == one
    assert program.read("refunds", payment=paid["id"]).json()["results"] == [one]
    assert program.read("refunds", credit_note="CRN-000001").json()["results"] == [two]
    assert program.read("refunds", external_id="OUT-1", paid_from="2026-06-12").json()["results"] == [one]
    assert program.read("refunds", kind="return").json()["results"] == []
    shown = program.read(f"payments/{paid['id']}").json()
    assert (shown["refunded"], shown["left"], shown["returned_on"]) == ("30.00", "100.00", None)
    assert left_of(program) == {"INV-000001": "119.00"}
    assert made(send(program, "refunds", back))["id"] == one["id"]
    assert refused(send(program, "refunds", {**back, "amount": "29.00"}), 409) == ["/external_id"]
    purposes = [row["purpose"] for row in program.read("journal-entries").json()["results"]]
    assert purposes.count("refund") == 2
    (entry,) = program.read("journal-entries", purpose="refund", document="CRN-000001").json()["results"]
    assert (entry["refund"], entry["payment"]) == (two["id"], "")
    assert {line["account"]: line["debit"] for line in entry["lines"]} == {"1100": "50.00", "1020": "0.00"}


@pytest.mark.parametrize(
    ("change", "status", "pointer"),
    [
        ({"amount": "60.01"}, 409, "/amount"),
        ({"amount": "0"}, 400, "/amount"),
        ({"amount": "1.005"}, 400, "/amount"),
        ({"amount": "many"}, 400, "/amount"),
        ({"paid_on": "2026-06-16"}, 400, "/paid_on"),
        ({"paid_on": "2026-06-09"}, 400, "/paid_on"),
        ({"method": "barter"}, 400, "/method"),
        ({"credit_note": "CRN-000009"}, 400, "/payment"),
        ({"payment": NOBODY}, 404, "/payment"),
        ({"colour": "red"}, 400, "/colour"),
    ],
)
def test_a_refund_that_can_not_be_is_refused_at_the_field(north_billed, program, change, status, pointer):
    paid = made(send(program, "payments", payment(north_billed, "60.00")))
    sent = {"payment": paid["id"], "amount": "5.00", "paid_on": "2026-06-12", **change}

    assert refused(send(program, "refunds", sent), status) == [pointer]
    assert program.read("refunds").json()["results"] == []


def test_a_bounced_payment_is_taken_back_once(north_billed, program):
    settled = (("INV-000001", "119.00"), ("INV-000002", "50.00"))
    paid = made(send(program, "payments", payment(north_billed, "180.00", *settled)))
    told = {"returned_on": "2026-06-14", "reason": "AC04", "external_id": "BACK-1"}

    shown = made(send(program, f"payments/{paid['id']}/return", told))

    assert (shown["refunded"], shown["returned_on"], shown["left"]) == ("180.00", "2026-06-14", "0.00")
    undoing = {one["undoes"]: one["amount"] for one in shown["allocations"] if one["undoes"]}
    assert undoing == {one["id"]: f"-{one['amount']}" for one in paid["allocations"]}
    assert sum(Decimal(one["amount"]) for one in shown["allocations"]) == 0
    assert left_of(program) == {"INV-000001": "119.00", "INV-000002": "50.00"}
    assert made(send(program, f"payments/{paid['id']}/return", told)) == shown
    (refund,) = program.read("refunds").json()["results"]
    assert (refund["kind"], refund["reference"], refund["external_id"]) == ("return", "AC04", "BACK-1")
    answer = send(program, f"payments/{paid['id']}/return", {"returned_on": "2026-06-13"})
    assert refused(answer, 409) == ["/returned_on"]
    (entry,) = program.read("journal-entries", purpose="return").json()["results"]
    assert (entry["payment"], entry["refund"]) == (paid["id"], refund["id"])
    rows = program.read(f"customers/{north_billed.customer.id}/statement", since="2026-06-10").json()["rows"]
    assert [(row["kind"], row["amount"], row["balance"]) for row in rows] == [
        ("payment", "-180.00", "-11.00"),
        ("return", "180.00", "169.00"),
    ]


def test_what_settles_the_wrong_document_is_undone_alone(north_billed, program):
    paid = made(send(program, "payments", payment(north_billed, "50.00", ("INV-000001", "50.00"))))
    other = made(send(program, "payments", payment(north_billed, "1.00")))
    (settled,) = paid["allocations"]
    path = f"payments/{paid['id']}/allocations/{settled['id']}/release"

    elsewhere = send(program, f"payments/{other['id']}/allocations/{settled['id']}/release", {})
    shown = made(send(program, path, {}))

    assert elsewhere.status_code == 404
    assert (shown["left"], left_of(program)["INV-000001"]) == ("50.00", "119.00")
    assert send(program, path, {}).status_code == 409
    credited(north_billed, "30.00")
    (own,) = program.read("credit-notes/CRN-000001/allocations").json()["allocations"]
    assert (own["document"], own["amount"]) == ("INV-000002", "30.00")
    note = made(send(program, f"credit-notes/CRN-000001/allocations/{own['id']}/release", {}))
    assert (note["settled"], note["left"]) == ("0.00", "30.00")
    assert program.read("credit-notes/CRN-000009/allocations").status_code == 404


def test_what_pays_and_pays_back_wants_a_key_of_a_program_and_a_scope(north_billed, program):
    paid = made(send(program, "payments", payment(north_billed, "60.00")))
    sent = {"payment": paid["id"], "amount": "5.00", "paid_on": "2026-06-12"}
    reader = program_of(north_billed, "payments:read", "journal:read")

    for path, body in (
        ("refunds", sent),
        (f"payments/{paid['id']}/return", {"returned_on": "2026-06-12"}),
        ("payments", payment(north_billed, "1.00")),
    ):
        assert program.send(path, body).status_code == 400
        assert send(reader, path, body).status_code == 403
    assert reader.read("payments").status_code == reader.read("journal-entries").status_code == 200
    assert reader.read("invoices").status_code == reader.read("accounting/external-ids").status_code == 403
    key = {"headers": {"Idempotency-Key": '"refund-1"'}}
    first, again = (program.send("refunds", sent, **key) for _ in range(2))
    assert first.json() == again.json()
    assert again["Idempotency-Replayed"] == "true"
    assert program.read(f"payments/{paid['id']}").json()["refunded"] == "5.00"


def put(client, path, body):

    return client.put(f"/api/v1/accounting/{path}", json.dumps(body), content_type="application/json")


def delete(client, path):
    return client.delete(f"/api/v1/accounting/{path}")


def test_a_name_is_set_read_changed_and_forgotten(north_billed, program):
    customer = str(north_billed.customer.id)
    path = f"external-ids/ledger/customer/{customer}"

    first = put(program, path, {"external_id": "D-1001"})
    again = put(program, path, {"external_id": "D-1001"})

    assert (first.status_code, first.json()) == (200, again.json())
    assert program.read(f"accounting/{path}").json() == first.json()
    assert (first.json()["id"], first.json()["external_id"]) == (customer, "D-1001")
    assert put(program, path, {"external_id": "D-1002"}).json()["external_id"] == "D-1002"
    found = program.read("accounting/external-ids", system="ledger", external_id="D-1002").json()["results"]
    assert [row["id"] for row in found] == [customer]
    assert program.read("accounting/external-ids", kind="site").json()["results"] == []
    # Another system has words of its own.
    assert put(program, path.replace("ledger", "crm"), {"external_id": "D-1002"}).status_code == 200
    assert delete(program, path).status_code == 204
    assert delete(program, path).status_code == program.read(f"accounting/{path}").status_code == 404
    assert program.read(f"accounting/{path.replace('ledger', 'crm')}").status_code == 200


def test_a_name_is_of_one_row_only(north_billed, program):
    with north_billed.reading():
        ids = dict(Document.objects.values_list("number", "id"))
    names = [
        {"system": "ledger", "kind": "invoice", "id": str(ids[number]), "external_id": name}
        for number, name in (("INV-000001", "A"), ("INV-000002", "B"))
    ]
    assert [row["external_id"] for row in made(send(program, "accounting/external-ids", names))] == ["A", "B"]

    path = f"external-ids/ledger/invoice/{ids['INV-000002']}"
    assert refused(put(program, path, {"external_id": "A"}), 409) == ["/external_id"]
    twice = [{**one, "external_id": "C"} for one in names]
    assert refused(send(program, "accounting/external-ids", twice), 409) == ["/1/external_id"]
    same = [names[0], {**names[0], "external_id": "D"}]
    assert refused(send(program, "accounting/external-ids", same), 400) == ["/1/id"]
    rows = {
        row["id"]: row["external_id"] for row in program.read("accounting/external-ids").json()["results"]
    }
    assert rows == {str(ids["INV-000001"]): "A", str(ids["INV-000002"]): "B"}
    # In one list two rows may change their names with each other.
    swapped = [{**names[0], "external_id": "B"}, {**names[1], "external_id": "A"}]
    assert [row["external_id"] for row in made(send(program, "accounting/external-ids", swapped))] == [
        "B",
        "A",
    ]


@pytest.mark.parametrize(
    ("change", "status", "pointer"),
    [
        ({"external_id": ""}, 400, "/external_id"),
        ({"external_id": "a\nb"}, 400, "/external_id"),
        ({"external_id": " a"}, 400, "/external_id"),
        ({"external_id": "x" * 121}, 400, "/external_id"),
        ({"system": "two words"}, 400, "/system"),
        ({"kind": "journal_entry"}, 400, "/kind"),
        ({"kind": "credit_note"}, 404, "/id"),
        ({"id": NOBODY}, 404, "/id"),
    ],
)
def test_what_is_no_name_is_refused_at_the_field(north_billed, program, change, status, pointer):
    name = {"system": "ledger", "kind": "customer", "id": str(north_billed.customer.id), "external_id": "D-1"}

    assert refused(send(program, "accounting/external-ids", {**name, **change}), status) == [pointer]
    assert program.read("accounting/external-ids").json()["results"] == []


def test_every_kind_of_thing_takes_a_name(north_billed, program):
    paid = made(send(program, "payments", payment(north_billed, "60.00")))
    back = made(send(program, "refunds", {"payment": paid["id"], "amount": "5.00", "paid_on": "2026-06-12"}))
    credited(north_billed)
    with north_billed.reading():
        documents = dict(Document.objects.values_list("kind", "id"))
    owner = signed_in(north_billed)
    item = {
        "code": "visit",
        "name": "Visit",
        "basis": "visit",
        "amount": "9.00",
        "effective_from": "2026-04-01",
    }
    debt = {"number": "OLD-1", "issued_on": "2026-01-05", "amount": "5.00"}
    made(owner.send("opening-debts", {**debt, "customer": str(north_billed.customer.id)}))
    with north_billed.reading():
        opening = Document.objects.get(number="OLD-1").id
    things = {
        "customer": north_billed.customer.id,
        "site": north_billed.site.id,
        "invoice": documents["invoice"],
        "credit_note": documents["credit_note"],
        "opening": opening,
        "payment": paid["id"],
        "refund": back["id"],
        "price_item": made(owner.send("price-items", item))["id"],
    }
    for kind, id_ in things.items():
        assert put(program, f"external-ids/ledger/{kind}/{id_}", {"external_id": "X"}).status_code == 200
    rows = program.read("accounting/external-ids", limit=200).json()["results"]
    assert {row["kind"]: row["id"] for row in rows} == {kind: str(id_) for kind, id_ in things.items()}


def test_accounts_are_mapped_for_all_entities_or_for_one(north_billed, program):
    owner = signed_in(north_billed)
    entity = {"code": "EU", "legal_name": "Drip Care Europe", "currency": "EUR", "country": "DE"}
    made(owner.send("legal-entities", entity))

    assert put(program, "account-mappings/ledger/1100", {"external_account": "1400"}).status_code == 200
    own = {"external_account": "1410", "external_name": "Debtors, Europe"}
    shown = put(program, "account-mappings/ledger/1100?legal_entity=EU", own).json()

    assert (shown["legal_entity"], shown["external_account"]) == ("EU", "1410")
    everywhere = program.read("accounting/account-mappings/ledger/1100").json()
    assert (everywhere["legal_entity"], everywhere["external_account"]) == ("", "1400")
    used = program.read("accounting/accounts", system="ledger").json()["accounts"]
    receivables = {row["legal_entity"]: row for row in used if row["account"] == "1100"}
    assert {code: row["external_account"] for code, row in receivables.items()} == {"": "1400", "EU": "1410"}
    assert (receivables[""]["name"], receivables[""]["has_entries"]) == ("Receivable", True)
    assert receivables["EU"]["has_entries"] is False
    assert {row["purpose"] for row in used} >= {"bank", "prepayment", "revenue", "tax"}
    assert {row["external_account"] for row in program.read("accounting/accounts").json()["accounts"]} == {""}

    entries = program.read("journal-entries", system="ledger").json()["results"]
    told = {line["account"]: line["external_account"] for entry in entries for line in entry["lines"]}
    assert told == {"1100": "1400", "4010": "", "2030": ""}
    plain = program.read("journal-entries").json()["results"]
    assert {line["external_account"] for entry in plain for line in entry["lines"]} == {""}
    text = b"".join(program.read("journal.csv", system="ledger").streaming_content).decode()
    lines = [row for row in csv.DictReader(io.StringIO(text)) if row["record"] == "line"]
    assert {row["account"]: row["external_account"] for row in lines} == told

    assert put(program, "account-mappings/ledger/1100", {"external_account": "1401"}).status_code == 200
    rows = program.read("accounting/account-mappings", account="1100").json()["results"]
    assert {row["legal_entity"]: row["external_account"] for row in rows} == {"": "1401", "EU": "1410"}
    assert delete(program, "account-mappings/ledger/1100").status_code == 204
    assert delete(program, "account-mappings/ledger/1100").status_code == 404
    assert program.read("accounting/account-mappings/ledger/1100", legal_entity="EU").status_code == 200


def test_an_account_that_is_not_there_is_not_mapped(north_billed, program):
    sent = {"external_account": "1400"}

    assert refused(put(program, "account-mappings/ledger/9999", sent), 404) == ["/account"]
    assert put(program, "account-mappings/ledger/1100?legal_entity=NO", sent).status_code == 404
    assert refused(put(program, "account-mappings/ledger/1100?entity=NO", sent), 400) == ["/entity"]
    assert refused(put(program, "account-mappings/two words/1100", sent), 400) == ["/system"]
    assert refused(put(program, "account-mappings/ledger/1100", {"external_account": ""}), 400) == [
        "/external_account"
    ]
    assert program.read("accounting/account-mappings").json()["results"] == []


def test_only_who_maps_the_books_reads_and_writes_names(north_billed):
    path = f"external-ids/ledger/customer/{north_billed.customer.id}"
    for role in (Role.BOOKKEEPER, Role.OWNER):
        assert put(signed_in(north_billed, role), path, {"external_id": "D-1"}).status_code == 200
    for role in (Role.VIEWER, Role.DISPATCHER, Role.NETWORK):
        client = signed_in(north_billed, role)
        answers = (put(client, path, {"external_id": "D-2"}), delete(client, path))
        assert [answer.status_code for answer in answers] == [403, 403]


def test_names_of_two_operators_know_nothing_of_each_other(north_billed, program):
    south = new_cast("south")
    theirs = program_of(south, "books:map")
    for cast, client in ((north_billed, program), (south, theirs)):
        path = f"external-ids/ledger/customer/{cast.customer.id}"
        assert put(client, path, {"external_id": "D-1"}).status_code == 200
    foreign = put(theirs, f"external-ids/ledger/customer/{north_billed.customer.id}", {"external_id": "D-9"})
    assert foreign.status_code == 404
    (row,) = theirs.read("accounting/external-ids").json()["results"]
    assert row["id"] == str(south.customer.id)
