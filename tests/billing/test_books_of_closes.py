"""Closes, credits and payments of whole months as they stand in the ledger, with tax and fees in advance."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from accounts.errors import BadInput, Conflict
from billing.commands import contracts, crediting, parties, payments, prices
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.payments import NewPayment
from billing.commands.prices import NewPriceItem
from billing.commands.terms import NewTerms
from billing.queries import ledger, settling
from billing.rules.documents import decimal_text
from tests.billing.books import APRIL, JUNE, MAY, close, on

SELLER = {
    "legal_name": "North Fixture Care",
    "country": "DE",
    "regime": "vat",
    "vat_id": "DE123456789",
    "accounts": {"receivable": "R1", "tax": "T1"},
}


def books(cast, **seller):
    """A seller who adds 19 %, a site at 90.00 a month billed a quarter ahead, and installations at 45.00."""
    parties.set_legal_entity(actor=cast.owner, code="MAIN", values={**SELLER, **seller})
    parties.set_tax_rate(
        actor=cast.owner,
        jurisdiction="DE",
        tax_class="standard",
        category="S",
        rate=Decimal(19),
        effective_from=date(2020, 1, 1),
    )
    items = [
        NewPriceItem("fee", "Flat fee", "site_month", Decimal(90), APRIL, revenue_account="4100"),
        NewPriceItem("install", "Installation", "install", Decimal(45), APRIL),
    ]
    prices.add_price_items(actor=cast.owner, items=items)
    terms = NewTerms(mode="flat_site", cycle_months=3, in_advance=True)
    site = [NewContractSite(cast.site.id)]
    contracts.add_contract(
        actor=cast.owner, new=NewContract("K-1", cast.customer.id, APRIL, sites=site, terms=terms)
    )
    cast.upload(cast.installed(at=on(4, 2)))


def stands(cast):
    with cast.reading():
        assert ledger.unbalanced() == []
        assert {one.entity_code for one in ledger.balances()} <= {"MAIN"}
        return {one.account: decimal_text(one.balance) for one in ledger.balances() if one.balance}


def test_a_quarter_in_advance_with_its_tax_is_earned_as_the_months_close(north):
    books(north)

    close(north, APRIL)
    # 3 x 90.00 for April to June, 45.00 for the installation, 19 % of 315.00 = 59.85. April is over.
    assert stands(north) == {"R1": "374.85", "T1": "-59.85", "2020": "-180", "4100": "-90", "4010": "-45"}

    close(north, MAY)
    assert stands(north) == {
        "R1": "374.85",
        "T1": "-59.85",
        "2020": "-90",
        "4100": "-180",
        "4010": "-45",
    }

    with north.reading():
        released = [one for one in ledger.shown(list(ledger.entries())) if one.purpose == "release"]
    assert [(one.entry_on, one.text) for one in released] == [
        (date(2026, 5, 31), "Revenue earned of INV-000001 for 2026-05")
    ]
    assert {line.site for line in released[0].lines} == {"S1"}

    close(north, JUNE)
    # The next quarter, July to September: 270.00 and 51.30 of tax, and June's fee is earned.
    assert stands(north) == {
        "R1": "696.15",
        "T1": "-111.15",
        "2020": "-270",
        "4100": "-270",
        "4010": "-45",
    }


def test_a_voided_and_paid_invoice_leaves_credit_and_nothing_earned(north):
    books(north)
    close(north, APRIL)
    payments.record_payment(
        actor=north.owner,
        payment=NewPayment(
            north.customer.id,
            date(2026, 5, 20),
            Decimal("374.85"),
            allocations=[("INV-000001", Decimal("374.85"))],
        ),
    )

    note = crediting.credit_document(actor=north.owner, number="INV-000001", reason="Not ours")

    with north.reading():
        opened = settling.open_documents()
    assert [(one.number, decimal_text(one.left)) for one in opened] == [(note.number, "374.85")]
    assert stands(north) == {"1010": "374.85", "R1": "-374.85"}
    close(north, MAY)
    close(north, JUNE)
    # What May earned of the invoice, June gave back; left is the next quarter: 270.00 and 19 % of it.
    assert stands(north) == {"1010": "374.85", "R1": "-53.55", "T1": "-51.3", "2020": "-270"}


def test_an_account_with_something_to_come_back_to_keeps_its_number(north):
    books(north)
    close(north, APRIL)

    with pytest.raises(Conflict, match="receivable has entries on R1") as no:
        parties.set_legal_entity(
            actor=north.owner, code="MAIN", values={"accounts": {"receivable": "R2", "tax": "T1"}}
        )
    assert [problem.pointer for problem in no.value.errors] == ["/accounts/receivable"]

    parties.set_legal_entity(
        actor=north.owner, code="MAIN", values={"accounts": {"receivable": "R1", "tax": "T2"}}
    )
    close(north, MAY)
    close(north, JUNE)
    assert stands(north)["T2"] == "-51.3"


def test_revenue_is_on_no_account_that_stands_for_something_else(north):
    books(north)
    item = NewPriceItem("x", "Call-out", "call_out", Decimal(48), APRIL, revenue_account="R1")

    with pytest.raises(BadInput, match="R1 is the number of receivable") as no:
        prices.add_price_items(actor=north.owner, items=[item])
    assert [problem.pointer for problem in no.value.errors] == ["/0/revenue_account"]
    with pytest.raises(Conflict, match="4100 is an account of revenue"):
        parties.set_legal_entity(actor=north.owner, code="MAIN", values={"accounts": {"bank": "4100"}})


def test_what_is_due_to_another_legal_entity_is_kept_apart(north):
    books(north)
    close(north, APRIL)
    parties.set_legal_entity(
        actor=north.owner, code="OTHER", values={"legal_name": "Other Care", "country": "DE"}
    )
    new = NewPayment(north.customer.id, date(2026, 6, 1), Decimal(10), legal_entity="OTHER")
    payment = payments.record_payment(actor=north.owner, payment=new)

    with pytest.raises(BadInput, match="another legal entity"):
        payments.record_payment(
            actor=north.owner,
            payment=NewPayment(
                north.customer.id,
                date(2026, 6, 1),
                Decimal(10),
                legal_entity="OTHER",
                allocations=[("INV-000001", Decimal(10))],
            ),
        )
    with north.reading():
        by_entity = {
            (one.entity_code, one.account): one.balance for one in ledger.balances() if one.account != "T1"
        }
    assert by_entity["OTHER", "1010"] == 10
    assert by_entity["OTHER", "2010"] == -10
    assert payment.legal_entity_id is not None
