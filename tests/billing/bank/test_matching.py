"""Which movements surely pay which documents, which only may, and why not."""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from decimal import Decimal
from uuid import UUID

import pytest

from billing.rules.bank.matching import (
    Clues,
    Debt,
    Fate,
    Matching,
    Suggestion,
    key_of,
    keys_named,
    suggestions,
)
from billing.rules.bank.references import rf_reference
from billing.rules.bank.statements import Movement

D = Decimal
ONE, TWO = UUID(int=1), UUID(int=2)
DE, AT = UUID(int=11), UUID(int=12)
PAID_FROM = "AT320000000123456789"


def debt(number="INV-000123", left="119.00", **rest):
    values = {
        "customer_id": ONE,
        "legal_entity_id": DE,
        "currency": "EUR",
        "due_on": date(2026, 6, 2),
        **rest,
    }
    return Debt(number=number, left=D(left), **values)


def movement(amount="119.00", words="", **rest):
    values = {"ordinal": 0, "booked_on": date(2026, 6, 10), "value_on": None, "is_credit": True, **rest}
    return Movement(amount=D(amount), remittance=words, currency=values.pop("currency", "EUR"), **values)


def matching(*debts, **rest):
    by_key = defaultdict(list)
    for one in debts:
        by_key[key_of(one.number)].append(one)
    return Matching(by_key, legal_entity_id=DE, **rest)


def judged(one, *debts, **rest):
    return matching(*debts, **rest).judge(one)


@pytest.mark.parametrize(
    "quoted",
    [
        movement(references=("RF73INV000123",)),
        movement(references=("RF73 INV0 0012 3",)),
        movement(references=("INV-000123",)),
        movement(documents=("INV000123",)),
        movement(end_to_end="RF73INV000123"),
        movement(end_to_end="INV-000123"),
        movement(words="rf73 inv0 0012 3"),
        movement(words="Invoice INV-000123, thank you"),
        movement(words="INVOICE: inv 000123"),
        movement(words="your number INV-000 123 of May"),  # broken at the end of a bank's line
        movement(words="SVWZ+INV.000123.EREF+77"),
    ],
)
def test_a_document_is_named_in_many_ways(quoted):
    verdict = judged(quoted, debt())
    assert (verdict.fate, verdict.parts, verdict.kept) == (Fate.BOOKED, (("INV-000123", D("119.00")),), 0)
    assert verdict.why == "It pays INV-000123."


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("", "It names no document of ours."),
        ("Invoice 000123", "It names no document of ours."),
        ("INV-0001234", "It names no document of ours."),
        ("RF74INV000123", "It names no document of ours."),  # a slip of the pen: the check digits are 73
        ("RF74INV000124", "It names no document of ours."),
    ],
)
def test_what_names_no_document_is_not_booked_even_if_the_amount_is_right(words, why):
    verdict = judged(movement("119.00", words), debt())
    assert (verdict.fate, verdict.why, verdict.parts) == (Fate.UNMATCHED, why, ())


def test_less_is_a_part_and_more_is_kept():
    part = judged(movement("100.00", "INV-000123"), debt())
    assert (part.fate, part.parts, part.kept) == (Fate.BOOKED, (("INV-000123", D("100.00")),), 0)
    assert part.why == "It pays INV-000123 in part; 19.00 EUR of INV-000123 stays open."

    over = judged(movement("150.00", "INV-000123"), debt())
    assert (over.fate, over.parts, over.kept) == (
        Fate.PART_BOOKED,
        (("INV-000123", D("119.00")),),
        D("31.00"),
    )
    assert over.why == "It pays INV-000123; 31.00 EUR more came in and is kept for the customer."


def test_several_documents_are_paid_the_oldest_first():
    later = debt("INV-000124", "50.00", due_on=date(2026, 7, 2))
    whole = judged(movement("169.00", "INV-000124 and INV-000123"), debt(), later)
    assert whole.parts == (("INV-000123", D("119.00")), ("INV-000124", D("50.00")))

    short = judged(movement("130.00", "INV-000124 and INV-000123"), debt(), later)
    assert short.parts == (("INV-000123", D("119.00")), ("INV-000124", D("11.00")))
    assert short.why.endswith("39.00 EUR of INV-000124 stays open.")


def test_what_one_movement_pays_is_not_open_for_the_next():
    judging = matching(debt())
    first, again = (judging.judge(movement(words="INV-000123")) for _ in range(2))
    assert first.fate is Fate.BOOKED
    assert (again.fate, again.why) == (Fate.UNMATCHED, "Nothing is left to pay of INV-000123.")


@pytest.mark.parametrize(
    ("one", "others", "why"),
    [
        ({"currency": "CHF"}, (), "INV-000123 is in CHF."),
        (
            {"legal_entity_id": AT},
            (),
            "INV-000123 was issued by another legal entity than the account is of.",
        ),
        (
            {"legal_entity_id": None},
            (),
            "INV-000123 was issued by another legal entity than the account is of.",
        ),
        ({"left": "0.00"}, (), "Nothing is left to pay of INV-000123."),
        ({"is_credit": True}, (), "It names only INV-000123, a credit note."),
        (
            {},
            (debt("INV-000124", customer_id=TWO),),
            "It names documents of more than one customer: INV-000123, INV-000124.",
        ),
        ({}, (debt("INV/000123"),), "It may mean INV-000123, INV/000123."),
    ],
)
def test_doubt_waits_for_a_person(one, others, why):
    verdict = judged(movement(words="INV-000123 INV-000124"), debt(**one), *others)
    assert (verdict.fate, verdict.why) == (Fate.UNMATCHED, why)


@pytest.mark.parametrize(
    ("words", "number", "left", "fate"),
    [
        # A bare number of the books before may be a date, a customer number, a meter reading.
        ("rent 202605", "2026/05", "80.00", Fate.UNMATCHED),
        ("rent 202605", "2026/05", "119.00", Fate.BOOKED),
        ("17", "17", "119.00", Fate.UNMATCHED),
        ("A7", "A7", "119.00", Fate.UNMATCHED),
        ("A7-2025", "A7-2025", "80.00", Fate.PART_BOOKED),
    ],
)
def test_a_number_that_tells_little_needs_the_exact_amount(words, number, left, fate):
    assert judged(movement("119.00", words), debt(number, left)).fate is fate


def test_a_field_for_the_reference_needs_no_more_than_the_number():
    assert judged(movement(references=("17",)), debt("17", "80.00")).fate is Fate.PART_BOOKED
    # An id that payers count up themselves is no such field.
    assert judged(movement(end_to_end="17"), debt("17", "80.00")).fate is Fate.UNMATCHED


def test_the_longer_number_is_meant():
    long, short = debt("INV-000123"), debt("000123", "119.00", customer_id=TWO)
    assert judged(movement(words="INV 000123"), long, short).customer_id == ONE


def test_a_reference_may_be_padded_with_zeros():
    padded = rf_reference("0000INV000123")
    assert judged(movement(references=(padded,)), debt()).fate is Fate.BOOKED


@pytest.mark.parametrize(
    ("one", "fate"),
    [
        (movement("0.00"), Fate.SET_ASIDE),
        (movement(is_credit=False, words="INV-000123"), Fate.SET_ASIDE),
        (movement(is_credit=False, is_return=True, reason="AC04"), Fate.UNMATCHED),
        (movement(is_credit=False, end_to_end="E-1"), Fate.UNMATCHED),
        (movement("7.00", is_credit=False, end_to_end="E-1"), Fate.SET_ASIDE),
        (movement(words="INV-000123", is_return=True), Fate.UNMATCHED),
        (movement(words="INV-000123", mismatch="It is 2 payments in one."), Fate.UNMATCHED),
    ],
)
def test_only_money_that_plainly_came_in_is_a_payment(one, fate):
    assert judged(one, debt(), payments={("E-1", D("119.00"))}).fate is fate


def test_words_without_end_are_looked_at_in_part():
    many = movement(words=" ".join(f"w{index}" for index in range(5_000)))
    assert len(keys_named(many)) < 500


# Suggestions


def test_suggestions_name_why_and_the_likeliest_first():
    exact, other = debt("A7", "119.00"), debt("B8", "119.00", customer_id=TWO)
    clues = Clues([exact, other, debt("C9", "5.00")], {PAID_FROM: frozenset({TWO})}, {})
    found = suggestions(movement(words="A7", party_account=PAID_FROM), clues)
    assert found == [
        Suggestion(ONE, "A7", D("119.00"), ("named", "amount")),
        Suggestion(TWO, "B8", D("119.00"), ("amount", "account")),
    ]


def test_a_known_payer_is_suggested_without_a_document():
    clues = Clues([debt("C9", "5.00")], {PAID_FROM: frozenset({TWO})}, {"QUAYTOWERS": frozenset({ONE})})
    found = suggestions(movement(party="Quay Towers", party_account=PAID_FROM), clues)
    assert found == [Suggestion(ONE, "", D(0), ("party",)), Suggestion(TWO, "", D(0), ("account",))]


@pytest.mark.parametrize("one", [movement(is_credit=False), movement("0.00"), movement(currency="CHF")])
def test_nothing_is_suggested_for_what_can_not_pay_it(one):
    assert suggestions(one, Clues([debt(left=str(one.amount or 1))], {}, {})) == []
