"""Royalty statements: what a month's base is made of, how one carries on the one before, and what can't be stated.

The network's rules are of common practice, without a source; the arithmetic is done by hand beside each figure.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from decimal import Decimal

import psycopg
import pytest
from django.db import connections

from accounts import clock
from accounts.errors import BadInput, Conflict, Forbidden
from accounts.permissions import Role
from billing.commands import crediting, opening, payments, royalty
from billing.commands.payments import NewPayment
from billing.models import JournalEntry, JournalLine, RoyaltyStatement
from billing.queries import royalty as stated
from billing.rules.crediting import CreditedLine
from billing.rules.documents import digest
from billing.rules.royalty import Basis, Tier
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices, on
from tests.pages.sellers import sell_with_vat

TEN_PERCENT = [Tier(None, Decimal(10))]


def agree(cast, basis=Basis.BILLED, since=MAY, tiers=TEN_PERCENT, **rest):
    return royalty.set_royalty_terms(
        actor=cast.actors[Role.BOOKKEEPER],
        effective_from=since,
        network_name="Drip Network",
        basis=basis,
        tiers=tiers,
        **rest,
    )


def state(cast, month):
    with clock.playing(datetime(2026 + month.month // 12, month.month % 12 + 1, 4, 9, tzinfo=UTC)):
        return royalty.state_month(actor=cast.actors[Role.BOOKKEEPER], month=month)


def rows(statement):
    return [(row["kind"], row["number"], row["amount"]) for row in statement.document["rows"]]


@pytest.fixture
def billed(north):
    """75.00 EUR of April billed on 3 May, 30.00 of May on 3 June."""
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    close(north, MAY)
    return north


def pay(cast, amount, number, on_, recorded=None):
    with clock.playing(recorded or datetime(on_.year, on_.month, on_.day, 12, tzinfo=UTC)):
        payments.record_payment(
            actor=cast.owner,
            payment=NewPayment(
                cast.customer.id, on_, Decimal(amount), allocations=[(number, Decimal(amount))]
            ),
        )


def give_back(cast, number, amount, at, line=1):
    with clock.playing(at):
        crediting.credit_document(
            actor=cast.owner,
            number=number,
            reason="The work was not done.",
            lines=[CreditedLine(line, Decimal(amount))],
        )


def test_a_month_states_what_was_billed_in_it(billed):
    agree(billed, fund_percent=Decimal(2))

    may, june = state(billed, MAY), state(billed, JUNE)

    assert rows(may) == [("invoice", "INV-000001", "75.00")]
    assert (may.base, may.royalty, may.fund) == (Decimal(75), Decimal("7.50"), Decimal("1.50"))
    assert rows(june) == [("invoice", "INV-000002", "30.00")]
    assert (june.royalty, june.fund) == (Decimal("3.00"), Decimal("0.60"))


def test_what_was_given_back_lowers_the_base_of_its_month(billed):
    agree(billed)
    give_back(billed, "INV-000001", "20.00", on(6, 10))
    state(billed, MAY)

    june = state(billed, JUNE)

    assert rows(june) == [("invoice", "INV-000002", "30.00"), ("credit_note", "CRN-000001", "-20.00")]
    assert (june.base, june.royalty) == (Decimal(10), Decimal("1.00"))


def test_a_base_of_less_than_nothing_is_carried_into_the_next_month(billed):
    agree(billed, minimum=Decimal("2.50"))
    give_back(billed, "INV-000001", "45.00", on(6, 10), line=2)
    state(billed, MAY)

    june = state(billed, JUNE)
    close(billed, JUNE)
    july = state(billed, date(2026, 7, 1))

    assert (june.base, june.royalty, june.carried_out) == (Decimal(-15), Decimal("2.50"), Decimal(-15))
    # 30.00 of June, billed on 3 July, less the 15.00 carried in; 10 % is less than the minimum.
    assert (july.base, july.carried_in, july.carried_out) == (Decimal(30), Decimal(-15), 0)
    assert july.document["subject"] == "15.00"
    assert (july.document["from_tiers"], july.document["is_minimum"], july.royalty) == (
        "1.50",
        True,
        Decimal("2.50"),
    )


def test_what_is_collected_counts_net_of_tax_in_the_month_it_is_paid(north):
    sell_with_vat(north)
    list_prices(north)
    agree(north, Basis.COLLECTED)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    # 75.00 and 19 % are 89.25.
    pay(north, "40.00", "INV-000001", date(2026, 5, 20))
    pay(north, "49.25", "INV-000001", date(2026, 6, 20))

    may, june = state(north, MAY), state(north, JUNE)

    # 40.00 of 89.25 is 33.6134 of the net 75.00; the rest is the remainder.
    assert rows(may) == [("payment", "INV-000001", "33.61")]
    assert rows(june) == [("payment", "INV-000001", "41.39")]
    assert may.base + june.base == Decimal(75)


def test_a_payment_written_down_after_its_month_was_stated_counts_in_the_next(billed):
    agree(billed, Basis.COLLECTED)
    pay(billed, "10.00", "INV-000001", date(2026, 5, 20))
    may = state(billed, MAY)
    pay(billed, "65.00", "INV-000001", date(2026, 5, 30), recorded=on(6, 8))

    june = state(billed, JUNE)

    assert rows(may) == [("payment", "INV-000001", "10.00")]
    assert rows(june) == [("payment", "INV-000001", "65.00")]


def test_a_payment_counts_once_though_later_ones_follow(billed):
    agree(billed, Basis.COLLECTED)
    for month in (5, 6):
        pay(billed, "10.00", "INV-000001", date(2026, month, 20))
    may, june = state(billed, MAY), state(billed, JUNE)
    july = state(billed, date(2026, 7, 1))

    assert [one.base for one in (may, june, july)] == [Decimal(10), Decimal(10), 0]


def test_a_document_counts_once_when_the_basis_changes(billed):
    agree(billed, Basis.BILLED, since=MAY)
    agree(billed, Basis.COLLECTED, since=JUNE)
    # Billed in May and stated then; what is paid of it later counts no more.
    pay(billed, "75.00", "INV-000001", date(2026, 6, 10))
    pay(billed, "30.00", "INV-000002", date(2026, 6, 11))

    may, june = state(billed, MAY), state(billed, JUNE)

    assert rows(may) == [("invoice", "INV-000001", "75.00")]
    assert rows(june) == [("payment", "INV-000002", "30.00")]


def test_a_credit_note_counts_if_its_invoice_did(billed):
    agree(billed, Basis.BILLED, since=MAY)
    agree(billed, Basis.COLLECTED, since=JUNE)
    # The first was billed in May and stated then; the second counts when it is paid, and never was.
    give_back(billed, "INV-000001", "20.00", on(6, 10))
    give_back(billed, "INV-000002", "30.00", on(6, 11))
    state(billed, MAY)

    june = state(billed, JUNE)

    assert rows(june) == [("credit_note", "CRN-000001", "-20.00")]
    assert june.carried_out == Decimal(-20)


def test_credit_between_documents_is_no_money_collected(billed):
    agree(billed, Basis.COLLECTED)
    give_back(billed, "INV-000001", "20.00", on(6, 10))
    pay(billed, "55.00", "INV-000001", date(2026, 6, 11))
    state(billed, MAY)

    assert rows(state(billed, JUNE)) == [("payment", "INV-000001", "55.00")]


def test_debts_of_the_books_before_are_in_no_base_and_said_so(billed):
    agree(billed, Basis.COLLECTED)
    debt = opening.NewDebt(billed.customer.id, "2025-77", date(2025, 12, 1), Decimal("11.90"))
    opening.record_opening_debts(actor=billed.owner, debts=[debt])
    pay(billed, "11.90", "2025-77", date(2026, 5, 20), recorded=on(6, 1))

    may = state(billed, MAY)

    assert (may.base, may.document["brought_forward"]) == (0, "11.90")


def test_the_statements_form_a_chain_and_never_change(billed, superuser):
    agree(billed)
    may, june = state(billed, MAY), state(billed, JUNE)

    assert may.document["previous_sha256"] == ""
    assert june.document["previous_sha256"] == june.previous_sha256 == may.document_sha256
    assert digest(june.document) == june.document_sha256
    with pytest.raises(psycopg.Error, match="change"):
        superuser.execute("UPDATE billing_royaltystatement SET royalty = 0 WHERE id = %s", [june.id])


def test_the_same_books_give_the_same_statement(north, south):
    made = []
    for cast in (north, south):
        list_prices(cast)
        cast.upload(cast.installed(at=on(4, 1)))
        agree(cast)
        close(cast, APRIL)
        made.append(state(cast, MAY))

    first, second = ({**one.document, "issuer": None} for one in made)
    assert first == second
    assert first["rows"] == [
        {"amount": "75.00", "kind": "invoice", "number": "INV-000001", "on": "2026-05-03"}
    ]


def test_royalty_and_fund_are_booked(billed):
    agree(billed, fund_percent=Decimal(2))
    state(billed, MAY)

    with billed.reading():
        entries = list(JournalEntry.objects.filter(purpose__in=["royalty", "fund"]))
        debits = sum(
            JournalLine.objects.filter(entry__in=entries).values_list("debit", flat=True), Decimal(0)
        )
        credits_ = sum(
            JournalLine.objects.filter(entry__in=entries).values_list("credit", flat=True), Decimal(0)
        )

    # 7.50 and 1.50.
    assert debits == credits_ == Decimal("9.00")


def test_two_at_once_make_one_statement(billed):
    agree(billed)
    clock.set_to(on(6, 4))

    def attempt(_):
        try:
            royalty.state_month(actor=billed.owner, month=MAY)
        except Conflict as refused:
            return refused.code
        finally:
            connections.close_all()
        return "stated"

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(attempt, range(2))) == ["conflict", "stated"]
    with billed.reading():
        assert RoyaltyStatement.objects.count() == 1


def test_a_month_is_stated_when_it_is_over_and_in_order_and_once(billed):
    with pytest.raises(BadInput, match="No terms"):
        state(billed, MAY)
    agree(billed)
    with pytest.raises(BadInput, match="first day"):
        state(billed, date(2026, 5, 2))
    with clock.playing(on(5, 31)), pytest.raises(BadInput, match="can be stated from that day on"):
        royalty.state_month(actor=billed.owner, month=MAY)
    with pytest.raises(BadInput, match="No terms"):
        state(billed, APRIL)
    state(billed, MAY)
    with pytest.raises(Conflict, match="stated already"):
        state(billed, MAY)
    with pytest.raises(Conflict, match="June 2026 comes next"):
        state(billed, date(2026, 7, 1))

    with billed.reading():
        assert [one.month for one in stated.statements()] == [MAY]


def test_terms_of_a_stated_month_stay_as_they_are(billed):
    agree(billed)
    state(billed, MAY)

    with pytest.raises(Conflict, match="can begin on Mon 1 Jun 2026 at the earliest"):
        agree(billed, since=MAY)
    with pytest.raises(Conflict, match="statements so far are in EUR"):
        agree(billed, since=JUNE, currency="CHF")
    agree(billed, since=JUNE, tiers=[Tier(None, Decimal(5))])
    agree(billed, since=JUNE, tiers=[Tier(None, Decimal(6))])

    assert state(billed, JUNE).royalty == Decimal("1.80")


def test_terms_that_cant_be_are_pointed_to(north):
    with pytest.raises(BadInput) as odd:
        agree(
            north,
            since=date(2026, 5, 2),
            tiers=[Tier(Decimal(100), Decimal(8)), Tier(Decimal(50), Decimal(101)), Tier(None, Decimal(6))],
            minimum=Decimal("0.001"),
            fund_percent=Decimal("1.00001"),
        )

    assert {problem.pointer for problem in odd.value.errors} == {
        "/effective_from",
        "/tiers/1/percent",
        "/tiers/0/upto",
        "/minimum",
        "/fund_percent",
    }
    with north.reading():
        assert list(stated.terms_rows()) == []


def test_only_who_manages_royalty_states_it(billed):
    agree(billed)
    for role in (Role.NETWORK, Role.VIEWER, Role.DISPATCHER, Role.CREW_MEMBER):
        with pytest.raises(Forbidden):
            royalty.state_month(actor=billed.actors[role], month=MAY)
        with pytest.raises(Forbidden):
            royalty.set_royalty_terms(
                actor=billed.actors[role],
                effective_from=JUNE,
                network_name="Other",
                basis=Basis.BILLED,
                tiers=TEN_PERCENT,
            )
    assert state(billed, MAY).royalty == Decimal("7.50")
