"""A period as CSV, read back by the standard library's reader, and its control totals."""

from __future__ import annotations

import csv
import io
from datetime import date
from decimal import Decimal

import pytest

from accounts import permissions
from accounts.permissions import Permission, Role
from billing.commands.payments import NewPayment, record_payment
from billing.commands.returning import return_payment
from tests.api.callers import live, refused, signed_in
from tests.billing.books_of_account import Said, content, issue

FILE, TOTALS = "accounting/export.csv", "accounting/totals"
SUMS = ("net", "tax", "total", "cash_rounding", "payable")


@pytest.fixture
def keeper(north):
    return signed_in(north, Role.BOOKKEEPER)


def rows_of(answer):
    """The file's records; each line ends with CRLF, and a reader of the standard agrees on every field."""
    assert answer.status_code == 200, answer.content
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    text = b"".join(answer.streaming_content).decode()
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def taxed(base, tax):
    group = {"category": "S", "rate": "19", "jurisdiction": "DE", "name": "VAT", "reason": ""}
    return [{**group, "base": base, "tax": tax}]


@pytest.fixture
def kept(north):
    """Two invoices, one of them with a total rounded for cash, a credit note, and a payment that came back."""
    first = content("invoice", [Said("100.00")], [("DE", "19.00")])
    invoice = issue(north, first | {"tax_groups": taxed("100.00", "19.00")})
    issue(
        north,
        content("invoice", [Said("50.03")], number="INV-000002", issued_on="2026-06-03", rounding="-0.03"),
    )
    record_payment(
        actor=north.owner,
        payment=NewPayment(
            north.customer.id, date(2026, 6, 5), Decimal(100), allocations=[("INV-000001", Decimal(100))]
        ),
    )
    back = record_payment(
        actor=north.owner,
        payment=NewPayment(
            north.customer.id,
            date(2026, 6, 6),
            Decimal("50.00"),
            reference="=1+1",
            allocations=[("INV-000002", Decimal("50.00"))],
        ),
    )
    return_payment(actor=north.owner, payment_id=back.id, returned_on=date(2026, 6, 9), reason="No funds")
    note = content("credit_note", [Said("10.00")], number="CRN-000001", issued_on="2026-06-12", due_on=None)
    issue(north, note, corrects=invoice)
    return north


def test_documents_are_exported_with_their_taxes_and_totals(kept, keeper):
    rows = rows_of(keeper.read(FILE))

    documents = [row for row in rows if row["record"] == "document"]
    assert [(row["kind"], row["number"], row["net"], row["tax"], row["payable"]) for row in documents] == [
        ("invoice", "INV-000001", "100.00", "19.00", "119.00"),
        ("invoice", "INV-000002", "50.03", "0.00", "50.00"),
        ("credit_note", "CRN-000001", "10.00", "0.00", "10.00"),
    ]
    assert documents[1]["cash_rounding"] == "-0.03"
    assert documents[0]["payment_reference"] == "RF69INV000001"
    assert (documents[2]["corrects"], documents[2]["payment_reference"]) == ("INV-000001", "")
    taxes = [row for row in rows if row["record"] == "tax"]
    assert [(row["number"], row["tax_category"], row["tax_rate"], row["net"], row["tax"]) for row in taxes][
        :1
    ] == [("INV-000001", "S", "19", "100.00", "19.00")]
    assert [
        (row["kind"], row["currency"], row["documents"], *(row[name] for name in SUMS))
        for row in rows
        if row["record"] == "total"
    ] == [
        ("credit_note", "EUR", "1", "10.00", "0.00", "10.00", "0.00", "10.00"),
        ("invoice", "EUR", "2", "150.03", "19.00", "169.03", "-0.03", "169.00"),
    ]


def test_money_is_exported_with_what_left_again_and_what_it_settles(kept, keeper):
    rows = rows_of(keeper.read(FILE, what="payments"))

    told = [
        (row["day"], row["kind"], row["amount"], row["document"]) for row in rows if row["record"] == "row"
    ]
    assert [row[0] for row in told] == sorted(row[0] for row in told)
    assert sorted(told) == [
        ("2026-06-05", "allocation", "100.00", "INV-000001"),
        ("2026-06-05", "payment", "100.00", ""),
        ("2026-06-06", "allocation", "50.00", "INV-000002"),
        ("2026-06-06", "payment", "50.00", ""),
        ("2026-06-09", "allocation", "-50.00", "INV-000002"),
        ("2026-06-09", "return", "50.00", ""),
        ("2026-06-12", "allocation", "10.00", "INV-000001"),
    ]
    # What a spreadsheet would take for a formula is text; a number below nothing stays a number.
    assert [row["reference"] for row in rows if row["day"] == "2026-06-06" and row["kind"] == "payment"] == [
        "'=1+1"
    ]
    totals = {row["kind"]: (row["rows"], row["amount"]) for row in rows if row["record"] == "total"}
    assert totals == {
        "payment": ("2", "150.00"),
        "return": ("1", "50.00"),
        "allocation": ("4", "110.00"),
    }


def test_a_period_has_both_its_ends(kept, keeper):
    def numbers(**days):
        return [row["number"] for row in rows_of(keeper.read(FILE, **days)) if row["record"] == "document"]

    assert numbers(since="2026-05-03", until="2026-06-03") == ["INV-000001", "INV-000002"]
    assert numbers(since="2026-05-04", until="2026-06-02") == []
    assert numbers(since="2026-06-03") == ["INV-000002", "CRN-000001"]
    assert numbers(until="2026-06-02") == ["INV-000001"]
    assert rows_of(keeper.read(FILE, since="2030-01-01")) == []


@pytest.mark.parametrize(
    "days", [{}, {"since": "2026-06-01"}, {"since": "2026-05-01", "until": "2026-06-05"}]
)
def test_the_totals_are_those_that_each_file_ends_with(kept, keeper, days):
    told = keeper.read(TOTALS, **days).json()

    for what, count in (("documents", "documents"), ("payments", "rows"), ("journal", "entries")):
        rows = [row for row in rows_of(keeper.read(FILE, what=what, **days)) if row["record"] == "total"]
        assert len(rows) == len(told[what])
        for row, total in zip(rows, told[what], strict=True):
            assert {name: str(value) for name, value in total.items()} == {name: row[name] for name in total}
            assert int(row[count]) > 0


def test_the_totals_are_the_sums_of_what_the_lists_show(north, keeper):
    live(north)
    told = keeper.read(TOTALS).json()

    for kind, path in (("invoice", "invoices"), ("credit_note", "credit-notes")):
        rows = keeper.read(path, limit=200).json()["results"]
        (total,) = [one for one in told["documents"] if one["kind"] == kind]
        assert total["documents"] == len(rows) > 0
        for name in ("net", "tax", "total"):
            assert Decimal(total[name]) == sum(Decimal(row[name]) for row in rows)
    payments = keeper.read("payments", limit=200).json()["results"]
    (total,) = [one for one in told["payments"] if one["kind"] == "payment"]
    assert (total["rows"], Decimal(total["amount"])) == (
        len(payments),
        sum(Decimal(row["amount"]) for row in payments),
    )
    assert told["journal"] == keeper.read("journal-totals").json()["totals"]


def test_only_what_the_reader_may_read_is_exported_or_totalled(kept, keeper, monkeypatch):
    allowed = {
        **permissions.ROLE_PERMISSIONS,
        Role.BOOKKEEPER: frozenset({Permission.CHANGES_READ, Permission.PAYMENTS_READ}),
    }
    monkeypatch.setattr(permissions, "ROLE_PERMISSIONS", allowed)

    assert keeper.read(FILE).status_code == 403
    assert keeper.read(FILE, what="journal").status_code == 403
    assert rows_of(keeper.read(FILE, what="payments"))
    told = keeper.read(TOTALS).json()
    assert (told["documents"], told["journal"]) == (None, None)
    assert told["payments"]


def test_a_rivals_documents_are_not_in_it(kept, south):
    other = signed_in(south, Role.BOOKKEEPER)
    assert rows_of(other.read(FILE)) == []
    assert other.read(TOTALS).json() == {"documents": [], "payments": [], "journal": []}


def test_what_is_no_file_or_day_is_refused(keeper):
    assert refused(keeper.read(FILE, what="everything"), 400) == ["/what"]
    assert refused(keeper.read(FILE, since="May"), 400) == ["/since"]
    assert refused(keeper.read(TOTALS, until="2026-02-30"), 400) == ["/until"]
