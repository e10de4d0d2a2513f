"""Payments, open debts and the journal through the API, as a program of the bookkeeper writes and reads them."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest

from accounts.permissions import Role
from billing.models import Document
from tests.api.callers import made, refused, signed_in
from tests.billing.books_of_account import Said, content, issue


@pytest.fixture
def keeper(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return signed_in(north, Role.BOOKKEEPER)


def payment(cast, amount="119.00", **rest):
    return {"customer": str(cast.customer.id), "received_on": "2026-06-10", "amount": amount, **rest}


def settling(number, amount):
    return {"allocations": [{"document": number, "amount": amount}]}


def test_a_payment_is_recorded_and_read_with_what_it_settles(north, keeper):
    sent = payment(north, "150.00", method="transfer", reference="RF18", **settling("INV-000001", "119.00"))
    shown = made(keeper.send("payments", sent))

    assert (shown["amount"], shown["left"], shown["currency"]) == ("150.00", "31.00", "EUR")
    (settled,) = shown["allocations"]
    assert settled.pop("id")
    assert settled == {
        "document": "INV-000001",
        "amount": "119.00",
        "made_on": "2026-06-10",
        "undoes": None,
    }
    shown = keeper.read(f"payments/{shown['id']}").json()
    assert (shown["refunded"], shown["returned_on"], shown["legal_entity"]) == ("0.00", None, None)
    assert keeper.read("payments").json()["results"] == [shown]
    (still,) = keeper.read("open-documents").json()["results"]
    assert (still["number"], still["left"], still["due_on"]) == ("INV-000002", "50.00", "2026-06-02")

    later = made(keeper.send(f"payments/{shown['id']}/allocations", settling("INV-000002", "31.00")))
    assert later["left"] == "0.00"
    assert [one["left"] for one in keeper.read("open-documents").json()["results"]] == ["19.00"]


def test_a_list_is_recorded_all_or_none_and_a_repeat_only_once(north, keeper):
    one = payment(north, external_id="B-1", **settling("INV-000001", "119.00"))
    too_much = payment(north, "60.00", external_id="B-2", **settling("INV-000002", "60.00"))

    assert refused(keeper.send("payments", [one, too_much]), 409) == ["/1/allocations/0"]
    assert keeper.read("payments").json()["results"] == []

    first = made(keeper.send("payments", [one]))
    assert made(keeper.send("payments", [one, payment(north, "1.00", external_id="B-3")]))[0] == first[0]
    found = keeper.read("payments", external_id="B-1").json()["results"]
    assert [row["id"] for row in found] == [first[0]["id"]]


@pytest.mark.parametrize(
    ("change", "status", "pointer"),
    [
        ({"amount": "1.005"}, 400, "/amount"),
        ({"amount": "0"}, 400, "/amount"),
        ({"method": "barter"}, 400, "/method"),
        ({"received_on": "2026-06-16"}, 400, "/received_on"),
        ({"customer": "0198d3f5-0000-7000-8000-000000000000"}, 404, "/customer"),
        ({"legal_entity": "NO"}, 404, "/legal_entity"),
        ({"colour": "red"}, 400, "/colour"),
        (settling("INV-000009", "1.00"), 404, "/allocations/0/document"),
        (settling("INV-000001", "-1.00"), 400, "/allocations/0/amount"),
    ],
)
def test_a_payment_that_can_not_be_is_refused_at_the_field(north, keeper, change, status, pointer):
    assert refused(keeper.send("payments", {**payment(north), **change}), status) == [pointer]


def test_a_credit_notes_rest_settles_another_document(north, keeper):
    made(keeper.send("payments", payment(north, **settling("INV-000001", "119.00"))))
    with north.reading():
        invoice = Document.objects.get(number="INV-000001")
    note = content("credit_note", [Said("30.00")], number="CRN-000001", issued_on="2026-06-12", due_on=None)
    issue(north, note, corrects=invoice)

    shown = made(keeper.send("credit-notes/CRN-000001/allocations", settling("INV-000002", "20.00")))

    assert (shown["payable"], shown["settled"], shown["left"]) == ("30.00", "20.00", "10.00")
    answer = keeper.send("credit-notes/CRN-000001/allocations", settling("INV-000002", "10.01"))
    assert refused(answer, 409) == ["/allocations"]
    assert (
        keeper.send("credit-notes/CRN-000009/allocations", settling("INV-000002", "1.00")).status_code == 404
    )
    assert refused(keeper.send("credit-notes/CRN-000001/allocations", {"allocations": []}), 400) == [
        "/allocations"
    ]


def test_debtors_are_shown_by_how_long_they_are_past_due(north, keeper):
    made(keeper.send("payments", payment(north, "10.00")))

    (debtor,) = keeper.read("debtors", at="2026-07-10").json()["results"]

    assert (debtor["code"], debtor["name"]) == ("C1", "Quay Schools")
    assert debtor["owes"] == [
        {
            "currency": "EUR",
            "not_due": "0.00",
            "days_1_30": "0.00",
            "days_31_60": "169.00",
            "days_61_90": "0.00",
            "days_over_90": "0.00",
            "credit": "10.00",
            "balance": "159.00",
        }
    ]
    (before,) = keeper.read("debtors", at="2026-05-02").json()["results"]
    assert before["owes"] == []
    assert refused(keeper.read("debtors", at="yesterday"), 400) == ["/at"]
    assert len(keeper.read("debtors").json()["results"]) == 1


def test_open_debts_and_the_next_number_are_taken_over(north, keeper):
    debt = {
        "customer": str(north.customer.id),
        "number": "2025-7",
        "issued_on": "2026-01-05",
        "amount": "80.00",
    }

    shown = made(keeper.send("opening-debts", [debt]))[0]
    assert (shown["amount"], shown["left"], shown["due_on"]) == ("80.00", "80.00", None)
    assert refused(keeper.send("opening-debts", debt), 409) == ["/number"]
    assert keeper.read("opening-debts").json()["results"] == [shown]

    series = made(keeper.send("number-series", {"kind": "credit_note", "next_number": 40}))
    assert (series["code"], series["next_number"], series["legal_entity"]) == ("CRN", 40, "")
    assert keeper.send("number-series", {"kind": "credit_note", "next_number": 50}).status_code == 409
    assert {row["code"] for row in keeper.read("number-series").json()["results"]} == {"INV", "CRN"}


def test_the_journal_is_read_in_pages_and_as_a_file_and_both_agree_with_its_totals(north, keeper):
    made(keeper.send("payments", payment(north, **settling("INV-000001", "119.00"))))

    pages = []
    after: dict[str, str] = {}
    while after is not None:
        answer = keeper.read("journal-entries", limit=2, **after).json()
        pages += answer["results"]
        after = {"after": answer["next"]} if answer["next"] else None
    totals = keeper.read("journal-totals").json()["totals"]
    file = keeper.read("journal.csv")

    assert [entry["ordinal"] for entry in pages] == [1, 2, 3]
    debit = sum(Decimal(line["debit"]) for entry in pages for line in entry["lines"])
    assert totals == [{"currency": "EUR", "entries": 3, "debit": f"{debit}", "credit": f"{debit}"}]
    assert file.headers["Content-Type"] == "text/csv; charset=utf-8"
    text = b"".join(file.streaming_content).decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [(r["entries"], r["debit"], r["credit"]) for r in rows if r["record"] == "total"] == [
        ("3", str(debit), str(debit))
    ]
    assert {r["key"] for r in rows if r["record"] == "line"} == {entry["key"] for entry in pages}

    june = keeper.read("journal-entries", entry_from="2026-06-01", purpose="payment").json()["results"]
    assert [entry["purpose"] for entry in june] == ["payment"]
    assert keeper.read("journal-totals", entry_to="2026-05-31").json()["totals"][0]["entries"] == 1
    assert refused(keeper.read("journal.csv", entry_to="May"), 400) == ["/entry_to"]


def test_the_accounts_stand_at_what_was_booked(north, keeper):
    made(keeper.send("payments", payment(north, "10.00")))

    balances = keeper.read("account-balances").json()["balances"]

    assert {row["account"]: row["balance"] for row in balances} == {
        "1010": "10.00",
        "1100": "169.00",
        "2010": "-10.00",
        "2030": "-19.00",
        "4010": "-150.00",
    }
    then = keeper.read("account-balances", at="2026-05-31").json()["balances"]
    assert {row["account"]: row["balance"] for row in then} == {
        "1100": "119.00",
        "2030": "-19.00",
        "4010": "-100.00",
    }


def test_a_viewer_reads_the_books_and_records_nothing(north, keeper):
    viewer = signed_in(north, Role.VIEWER)

    assert viewer.send("payments", payment(north)).status_code == 403
    assert viewer.send("opening-debts", {}).status_code == 403
    assert len(viewer.read("journal-entries").json()["results"]) == 2
    assert signed_in(north, Role.DISPATCHER).read("journal.csv").status_code == 403
