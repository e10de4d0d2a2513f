"""What documents, payments and months are booked as: the pure rules.

Which account stands to the debit and which to the credit is double entry as every book on it has it: common practice, no
source. The days of deferred revenue are counted on a calendar.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.rules.chart import USUAL_CHART, Account, Chart, chart_problems
from billing.rules.ledger import (
    Entry,
    Owed,
    Posting,
    Purpose,
    Received,
    Settled,
    Unbalanced,
    document_entries,
    payment_entry,
    release_entry,
    royalty_entries,
    settlement_entry,
)
from billing.rules.money import smallest
from billing.rules.rating import month_after
from tests.billing.books_of_account import Said, booked, content

RECEIVABLE, DEFERRED, REVENUE = (
    USUAL_CHART[a] for a in (Account.RECEIVABLE, Account.DEFERRED, Account.REVENUE)
)
TAX, ROUNDING = USUAL_CHART[Account.TAX], USUAL_CHART[Account.CASH_ROUNDING]
MAY, JUNE, JULY, AUGUST = (date(2026, month, 1) for month in (5, 6, 7, 8))


def sides(entry):
    return {(p.account, p.site, p.jurisdiction): str(p.amount) for p in entry.postings}


def test_an_invoice_is_receivable_against_revenue_by_account_and_site_and_tax_by_jurisdiction():
    said = content(
        "invoice",
        [
            Said("100.00"),
            Said("20.50", account="4020"),
            Said("30.00"),
            Said("9.50", site="S2"),
            Said("5.00", site=""),
        ],
        [("DE", "31.35"), ("FR", "1.00")],
    )

    (entry,) = document_entries(booked(said), USUAL_CHART)

    assert (entry.purpose, entry.entry_on, entry.text) == (
        Purpose.INVOICE,
        date(2026, 5, 3),
        "Invoice INV-000001",
    )
    assert sides(entry) == {
        (RECEIVABLE, "", ""): "197.35",
        (REVENUE, "S1", ""): "-130.00",
        ("4020", "S1", ""): "-20.50",
        (REVENUE, "S2", ""): "-9.50",
        (REVENUE, "", ""): "-5.00",
        (TAX, "", "DE"): "-31.35",
        (TAX, "", "FR"): "-1.00",
    }


def test_a_credit_note_books_the_other_way_round():
    lines, tax = [Said("100.00"), Said("12.00", advance=("2026-06-01", "2026-07-01"))], [("DE", "21.28")]
    invoice = document_entries(booked(content("invoice", lines, tax)), USUAL_CHART)[0]
    note = document_entries(booked(content("credit_note", lines, tax, number="CRN-000001")), USUAL_CHART)[0]

    assert [(p.account, p.site, p.jurisdiction, -p.amount) for p in note.postings] == [
        (p.account, p.site, p.jurisdiction, p.amount) for p in invoice.postings
    ]
    assert note.purpose is Purpose.CREDIT_NOTE


def test_cash_rounding_is_an_entry_of_its_own():
    # 197.33 paid in steps of 0.05 is 197.35.
    said = content("invoice", [Said("197.33")], rounding="0.02")
    invoice, rounding = document_entries(booked(said), USUAL_CHART)
    note = document_entries(booked(content("credit_note", [Said("197.33")], rounding="0.02")), USUAL_CHART)[1]

    assert sides(invoice)[RECEIVABLE, "", ""] == "197.33"
    assert sides(rounding) == {(RECEIVABLE, "", ""): "0.02", (ROUNDING, "", ""): "-0.02"}
    assert sides(note) == {(RECEIVABLE, "", ""): "-0.02", (ROUNDING, "", ""): "0.02"}


def test_a_document_that_does_not_add_up_is_not_booked():
    said = content("invoice", [Said("10.00")]) | {"total": "10.01"}

    with pytest.raises(Unbalanced, match=r"Invoice INV-000001: debit less credit is 0\.01"):
        document_entries(booked(said), USUAL_CHART)
    with pytest.raises(Unbalanced):
        Entry("k", Purpose.INVOICE, MAY, "EUR", None, "One side", (Posting("1", Decimal(1)),))


def test_an_entry_has_one_key_whoever_makes_it_and_another_for_another_purpose_or_month():
    one = booked(content("invoice", [Said("31.00", advance=("2026-05-01", "2026-08-01"))], rounding="0.01"))
    again = booked(one.content)

    keys = [entry.key for entry in document_entries(one, USUAL_CHART)]
    keys += [release_entry(one, month, month_after(month), USUAL_CHART).key for month in (MAY, JUNE)]

    assert [entry.key for entry in document_entries(again, USUAL_CHART)] == keys[:2]
    assert len(set(keys)) == 4


def test_revenue_in_advance_is_earned_day_by_day():
    # A quarter of 92 days: 31 of May, 30 of June, 31 of July. 100 x 31/92 = 33.695..., x 61/92 = 66.304...
    one = booked(content("invoice", [Said("100.00", advance=("2026-05-01", "2026-08-01"))]))

    made = [release_entry(one, month, month_after(month), USUAL_CHART) for month in (MAY, JUNE, JULY)]

    assert [sides(entry)[DEFERRED, "S1", ""] for entry in made] == ["33.70", "32.60", "33.70"]
    assert [sides(entry)[REVENUE, "S1", ""] for entry in made] == ["-33.70", "-32.60", "-33.70"]
    assert [entry.entry_on for entry in made] == [date(2026, 5, 31), date(2026, 6, 30), date(2026, 7, 31)]
    assert release_entry(one, AUGUST, month_after(AUGUST), USUAL_CHART) is None


def test_the_month_of_issue_earns_what_lies_before_it_and_none_earns_before_the_issue():
    late = content("invoice", [Said("100.00", advance=("2026-05-01", "2026-08-01"))], issued_on="2026-06-04")

    assert release_entry(booked(late), MAY, JUNE, USUAL_CHART) is None
    assert release_entry(booked(late | {"issued_on": "2026-06-01"}), MAY, JUNE, USUAL_CHART) is None
    assert release_entry(booked(late | {"issued_on": "2026-05-31"}), MAY, JUNE, USUAL_CHART) is not None
    assert sides(release_entry(booked(late), JUNE, JULY, USUAL_CHART))[DEFERRED, "S1", ""] == "66.30"


def test_a_credit_of_deferred_revenue_takes_back_what_was_earned_and_what_was_to_be():
    advance = [Said("100.00", advance=("2026-05-01", "2026-08-01"))]
    invoice = booked(content("invoice", advance))
    note = booked(content("credit_note", advance, number="CRN-000001", issued_on="2026-06-10"))

    earned = [
        entry
        for one in (invoice, note)
        for month in (MAY, JUNE, JULY)
        if (entry := release_entry(one, month, month_after(month), USUAL_CHART))
    ]

    assert len(earned) == 5
    sums = defaultdict(Decimal)
    for entry in [*document_entries(invoice, USUAL_CHART), *document_entries(note, USUAL_CHART), *earned]:
        for posting in entry.postings:
            sums[posting.account] += posting.amount
    assert set(sums.values()) == {Decimal(0)}


def received(amount, settled, method="transfer"):
    return Received(uuid4(), uuid4(), None, MAY, Decimal(amount), Decimal(settled), "EUR", method, "RF18")


def test_a_payment_is_bank_against_receivable_and_what_settles_nothing_is_a_prepayment():
    assert sides(payment_entry(received("100.00", "80.00"), USUAL_CHART)) == {
        (USUAL_CHART[Account.BANK], "", ""): "100.00",
        (RECEIVABLE, "", ""): "-80.00",
        (USUAL_CHART[Account.PREPAYMENT], "", ""): "-20.00",
    }
    assert sides(payment_entry(received("5.00", "5.00", "cash"), USUAL_CHART)) == {
        (USUAL_CHART[Account.CASH], "", ""): "5.00",
        (RECEIVABLE, "", ""): "-5.00",
    }


def test_a_later_settlement_is_prepayment_against_receivable():
    settled = Settled(uuid4(), uuid4(), uuid4(), None, uuid4(), "INV-000001", JUNE, Decimal("20.00"), "EUR")

    assert sides(settlement_entry(settled, USUAL_CHART)) == {
        (USUAL_CHART[Account.PREPAYMENT], "", ""): "20.00",
        (RECEIVABLE, "", ""): "-20.00",
    }


def test_royalty_and_fund_are_expenses_against_what_is_owed_for_each():
    owed = Owed("ab" * 32, None, MAY, JUNE, "EUR", Decimal("600.00"), Decimal("-3.00"))

    royalty, fund = royalty_entries(owed, USUAL_CHART)

    assert sides(royalty) == {("5010", "", ""): "600.00", ("2040", "", ""): "-600.00"}
    assert sides(fund) == {("5020", "", ""): "-3.00", ("2050", "", ""): "3.00"}
    assert royalty_entries(Owed("ab", None, MAY, JUNE, "EUR", Decimal(0), Decimal(0)), USUAL_CHART) == []


def test_a_legal_entity_has_numbers_of_its_own():
    chart = Chart({"receivable": "R-1", "revenue": "77"})

    (entry,) = document_entries(booked(content("invoice", [Said("10.00")], [("DE", "1.90")])), chart)

    assert [posting.account for posting in entry.postings] == ["R-1", "77", TAX]


@pytest.mark.parametrize(
    ("own", "wrong"),
    [
        ({"receivables": "1"}, ["receivables"]),
        ({"bank": ""}, ["bank"]),
        ({"bank": 12}, ["bank"]),
        ({"bank": "1100"}, ["bank"]),  # the receivables' own
        ({"bank": "1", "cash": "1"}, ["cash"]),
        ({"bank": "1100", "receivable": "1010"}, []),
    ],
)
def test_account_numbers_are_checked(own, wrong):
    assert [name for name, _ in chart_problems(own)] == wrong


# For any documents

amounts = st.integers(-(10**9), 10**9)
spans = st.tuples(st.dates(date(2026, 1, 1), date(2027, 6, 1)), st.integers(1, 400))


@st.composite
def documents(draw):
    currency = draw(st.sampled_from(["EUR", "JPY", "KWD"]))
    unit = smallest(currency)
    lines = [
        Said(
            str(draw(amounts) * unit),
            site=draw(st.sampled_from(["S1", "S2", ""])),
            account=draw(st.sampled_from(["", "4020", "4030"])),
            advance=(
                (str(start), str(date.fromordinal(start.toordinal() + days))) if draw(st.booleans()) else None
            ),
        )
        for start, days in draw(st.lists(spans, min_size=1, max_size=6))
    ]
    tax = [
        (place, str(draw(amounts) * unit)) for place in draw(st.sets(st.sampled_from(["DE", "FR", "US-CO"])))
    ]
    return content(
        draw(st.sampled_from(["invoice", "credit_note"])),
        lines,
        tax,
        currency=currency,
        issued_on=str(draw(st.dates(date(2026, 1, 1), date(2026, 12, 31)))),
        rounding=str(draw(st.integers(-4, 4)) * unit),
    )


@settings(max_examples=200, deadline=None)
@given(documents())
def test_every_entry_balances_and_in_the_end_all_deferred_revenue_is_earned(said):
    one = booked(said)
    sums = defaultdict(Decimal)
    made = document_entries(one, USUAL_CHART)
    month = date(2026, 1, 1)
    while month < date(2029, 1, 1):
        if entry := release_entry(one, month, month_after(month), USUAL_CHART):
            made.append(entry)
        month = month_after(month)

    for entry in made:
        assert sum(posting.amount for posting in entry.postings) == 0
        for posting in entry.postings:
            sums[posting.account] += posting.amount
            assert posting.amount % smallest(said["currency"]) == 0

    sign = -1 if said["document"] == "credit_note" else 1
    assert sums[DEFERRED] == 0
    assert sums[RECEIVABLE] == sign * Decimal(said["payable"])
    assert -(sums[REVENUE] + sums["4020"] + sums["4030"]) == sign * Decimal(said["net"])
    assert -sums[TAX] == sign * Decimal(said["tax"])


@settings(max_examples=200, deadline=None)
@given(documents(), st.permutations(range(36)))
def test_a_month_earns_the_same_whichever_is_released_first(said, order):
    one = booked(said)
    months = [date(2026 + index // 12, index % 12 + 1, 1) for index in range(36)]

    forward = [release_entry(one, month, month_after(month), USUAL_CHART) for month in months]
    shuffled = {
        index: release_entry(one, months[index], month_after(months[index]), USUAL_CHART) for index in order
    }

    assert [shuffled[index] for index in range(36)] == forward
