"""Bank files through the API, as a program of the bookkeeper sends them and works off what did not match."""

from __future__ import annotations

from uuid import uuid4

import pytest

from accounts.permissions import Role
from billing.rules.bank.camt import MOST_BYTES
from tests.api.callers import ROOT, Api, made, program_of, refused, signed_in
from tests.billing.bank.files import ACCOUNT, Entry, camt
from tests.billing.bank.files import Said as Statement
from tests.billing.books_of_account import Said, content, issue

ENTRIES = (
    Entry("119.00", reference="RF69INV000001", bank="B-1", end_to_end="E2E-1"),
    Entry("50.00", "For you", bank="B-2"),
    Entry("-12.50", "Account fee", bank="B-3", party="", party_account=""),
    Entry("7.00", "Announced", status="PDNG"),
)


@pytest.fixture
def keeper(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return signed_in(north, Role.BOOKKEEPER)


def send(client: Api, path: str, body: bytes, kind: str = "application/xml", query: str = "", **headers: str):
    return client.post(f"{ROOT}{path}{query}", body, content_type=kind, headers=headers)


def taken_in(client, *entries, **rest):
    return made(send(client, "bank-files", camt(Statement(entries or ENTRIES, **rest))))


def test_a_preview_shows_the_whole_of_a_file_and_stores_nothing(north, keeper):
    answer = send(keeper, "bank-files/preview", camt(Statement(ENTRIES)))

    assert answer.status_code == 200, answer.content
    (shown,) = answer.json()["statements"]
    assert (shown["account"], shown["opening"], shown["closing"]) == (ACCOUNT, "1000.00", "1156.50")
    assert (shown["id"], shown["gap"], shown["legal_entity"]) == (None, "", "")
    assert shown["counts"] == {"booked": 1, "unmatched": 1, "set_aside": 1}
    first, second, fee = shown["entries"]
    assert first["allocations"] == [{"document": "INV-000001", "amount": "119.00"}]
    assert (first["fate"], first["kept"], first["customer"]) == ("booked", "0.00", str(north.customer.id))
    assert second["suggestions"] == [
        {"customer": str(north.customer.id), "document": "INV-000002", "left": "50.00", "hints": ["amount"]}
    ]
    assert (fee["credit"], fee["amount"]) == (False, "12.50")
    assert [one["amount"] for one in shown["pending"]] == ["7.00"]
    assert keeper.read("bank-entries").json()["results"] == []
    assert keeper.read("payments").json()["results"] == []


def test_a_file_is_taken_in_once_and_its_rest_is_worked_off(north, keeper):
    file = camt(Statement(ENTRIES))
    first = made(send(keeper, "bank-files", file, query="?name=june.xml"))["statements"][0]
    again = made(send(keeper, "bank-files", file))["statements"][0]

    assert again["counts"] == {"duplicate": 3}
    assert [one["entry"] for one in again["entries"]] == [one["entry"] for one in first["entries"]]
    (statement,) = keeper.read("bank-statements").json()["results"]
    assert (statement["id"], statement["file_name"]) == (first["id"], "june.xml")
    assert statement["states"] == {"booked": 1, "unmatched": 1, "set_aside": 1}
    assert keeper.read(f"bank-statements/{statement['id']}").json() == statement
    (payment,) = keeper.read("payments").json()["results"]
    assert (payment["amount"], payment["left"]) == ("119.00", "0.00")

    (waiting,) = keeper.read("bank-entries", state="unmatched").json()["results"]
    assert keeper.read(f"bank-entries/{waiting['id']}").json() == waiting
    assert waiting["why"] == "It names no document of ours."
    settling = {"allocations": [{"document": "INV-000002", "amount": "50.00"}]}
    done = made(keeper.send(f"bank-entries/{waiting['id']}/assign", settling))
    assert (done["state"], done["suggestions"]) == ("booked", [])
    assert keeper.read(f"payments/{done['payment']}").json()["allocations"][0]["document"] == "INV-000002"
    assert keeper.read("open-documents").json()["results"] == []
    assert keeper.send(f"bank-entries/{waiting['id']}/assign", settling).status_code == 409
    aside = keeper.send(f"bank-entries/{waiting['id']}/set-aside", {"reason": "No"})
    assert aside.status_code == 409


def test_what_waits_is_set_aside_or_takes_a_payment_back(north, keeper):
    (shown,) = taken_in(keeper)["statements"]
    paid, waiting = shown["entries"][:2]
    aside = made(keeper.send(f"bank-entries/{waiting['entry']}/set-aside", {"reason": "A loan"}))
    assert (aside["state"], aside["why"]) == ("set_aside", "A loan")

    back = Entry("-119.00", end_to_end="E2E-1", returned="AC04", bank="B-9")
    (second,) = taken_in(keeper, back, id="2")["statements"]
    payment = keeper.read(f"bank-entries/{paid['entry']}").json()["payment"]
    path = f"bank-entries/{second['entries'][0]['entry']}/return"
    assert keeper.send(path, {"payment": str(uuid4())}).status_code == 404
    done = made(keeper.send(path, {"payment": payment}))
    assert (done["state"], done["payment"]) == ("returned", payment)
    assert keeper.read(f"refunds/{done['refund']}").json()["amount"] == "119.00"
    assert [one["left"] for one in keeper.read("open-documents").json()["results"]] == ["119.00", "50.00"]


def test_a_program_sends_a_key_and_gets_the_same_answer_again(north, keeper):
    program = program_of(north, "payments:record", "payments:read")
    file = camt(Statement(ENTRIES))

    assert send(program, "bank-files", file).json()["type"].endswith("idempotency-key-missing")
    first, again = (send(program, "bank-files", file, **{"Idempotency-Key": "june"}) for _ in range(2))

    assert first.json() == again.json()
    assert again.headers["Idempotency-Replayed"] == "true"
    assert first.json()["statements"][0]["counts"]["booked"] == 1
    assert len(program.read("payments").json()["results"]) == 1
    # A preview stores nothing, so it needs no key.
    assert send(program, "bank-files/preview", file).status_code == 200


@pytest.mark.parametrize("path", ["bank-files/preview", "bank-files"])
@pytest.mark.parametrize(
    ("body", "status", "pointers"),
    [
        (b"", 400, [""]),
        (b"no xml", 400, [""]),
        (b"<html/>", 400, [""]),
        (camt(Statement(ENTRIES, closing="0.00")), 400, ["/statements/0"]),
        (b"<a>" + b" " * MOST_BYTES + b"</a>", 413, [""]),
    ],
    ids=["nothing", "text", "another", "does-not-reconcile", "too-large"],
)
def test_what_is_unfit_is_refused_with_its_reason(keeper, path, body, status, pointers):
    assert refused(send(keeper, path, body), status) == pointers
    assert keeper.read("bank-statements").json()["results"] == []


def test_a_file_of_more_than_other_bodies_may_have_is_read(keeper):
    large = camt(Statement(tuple(Entry("0.01", "x" * 140, bank=f"L-{at}") for at in range(1_800))))
    assert len(large) > 1024 * 1024
    answer = send(keeper, "bank-files/preview", large)
    assert answer.json()["statements"][0]["counts"] == {"unmatched": 1_800}


@pytest.mark.parametrize("kind", ["application/json", "text/csv", "multipart/form-data; boundary=x"])
def test_only_xml_is_read(keeper, kind):
    assert send(keeper, "bank-files", camt(Statement(ENTRIES)), kind).status_code == 415
    assert send(keeper, "bank-files/preview", camt(Statement(ENTRIES)), "text/xml").status_code == 200


def test_what_the_address_says_is_checked(keeper):
    file = camt(Statement(ENTRIES))
    assert refused(send(keeper, "bank-files", file, query="?colour=red"), 400) == ["/colour"]
    assert refused(send(keeper, "bank-files", file, query="?legal_entity=NO"), 404) == ["/legal_entity"]
    assert refused(send(keeper, "bank-files", file, query="?name=" + "x" * 201), 400) == ["/name"]


@pytest.mark.parametrize(
    ("path", "body", "status", "pointer"),
    [
        ("assign", {}, 400, "/customer"),
        ("assign", {"customer": str(uuid4())}, 404, "/customer"),
        ("assign", {"colour": "red"}, 400, "/colour"),
        (
            "assign",
            {"allocations": [{"document": "INV-000009", "amount": "1.00"}]},
            404,
            "/allocations/0/document",
        ),
        ("assign", {"allocations": [{"document": "INV-000002", "amount": "50.01"}]}, 409, "/allocations/0"),
        ("set-aside", {}, 400, "/reason"),
        ("set-aside", {"reason": "x" * 301}, 400, "/reason"),
        ("return", {}, 400, "/payment"),
    ],
)
def test_what_can_not_be_done_with_an_entry_is_refused_at_the_field(keeper, path, body, status, pointer):
    entry = taken_in(keeper)["statements"][0]["entries"][1]["entry"]
    assert refused(keeper.send(f"bank-entries/{entry}/{path}", body), status) == [pointer]


def test_a_viewer_reads_and_takes_nothing_in(north, keeper):
    taken_in(keeper)
    viewer = signed_in(north, Role.VIEWER)
    assert len(viewer.read("bank-entries").json()["results"]) == 3
    assert send(viewer, "bank-files", camt(Statement(ENTRIES))).status_code == 403
    assert send(signed_in(north, Role.DISPATCHER), "bank-files/preview", b"x").status_code == 403
