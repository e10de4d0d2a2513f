"""What is left of an invoice, and credits that never give back more than that."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given as suppose
from hypothesis import settings
from hypothesis import strategies as st

from billing.rules.crediting import (
    CreditedLine,
    CreditLine,
    MoreThanLeft,
    Unacceptable,
    credit,
    creditable,
    give_back,
)
from billing.rules.documents import Heading, credit_note
from billing.rules.giving_back import History, Place, split
from billing.rules.parties import Rate
from billing.rules.rating import Rule
from billing.rules.soundness import document_faults
from billing.rules.terms import CreditAs, Terms
from tests.billing.paper import ISSUED, SELLER, STANDARD, given, invoiced, line, under_contract
from tests.billing.plain import SEPTEMBER, uid

TWO_RATES = given()


def note(document, given_back, number="CRN-000001"):
    return credit_note(Heading(number, ISSUED, None, "", reason="Agreed"), document, given_back)


def sums(document):
    return tuple(document[name] for name in ("net", "tax", "total"))


def two_lines(inputs=TWO_RATES):
    return invoiced(inputs, line("100.50"), line("20.00", "two", tax_class="reduced"))


def position(document, amount):
    return next(one["line"] for one in document["lines"] if one["amount"] == amount)


def test_a_full_credit_gives_back_every_line_and_every_tax_group():
    document = two_lines()
    given_back = note(document, credit(creditable(document, [])))
    assert sums(given_back) == sums(document)
    assert given_back["tax_groups"] == document["tax_groups"]
    assert [one["amount"] for one in given_back["lines"]] == [one["amount"] for one in document["lines"]]
    assert given_back["references"]["corrects"] == {"number": "INV-000001", "issued_on": "2026-10-03"}
    assert {one["kind"] for one in given_back["lines"]} == {"credit"}
    assert given_back["lines"][0]["credits"] == {"number": "INV-000001", "line": 1}
    with pytest.raises(MoreThanLeft, match="Nothing is left"):
        credit(creditable(document, [given_back]))


def test_parts_of_a_line_are_given_back_with_their_tax_and_the_last_takes_the_rest():
    # 0.15 at 19 % is 0.0285, so 0.03 in all; each of three parts of 0.05 is 0.0095, so 0.01, 0.01 and what is left,
    # 0.01. 0.12 in four parts of 0.03 (0.0057, so 0.01) may give no more than 0.02 in all. Recomputed by hand.
    for amount, part, taxes in (
        ("0.15", "0.05", ["0.01", "0.01", "0.01"]),
        ("0.12", "0.03", ["0.01", "0.01", "0.00", "0.00"]),
    ):
        document = invoiced(TWO_RATES, line(amount))
        notes = []
        for _ in taxes:
            left = creditable(document, notes)
            notes.append(note(document, credit(left, [CreditedLine(1, Decimal(part))])))
        assert [one["tax"] for one in notes] == taxes
        assert creditable(document, notes).total_left == 0


def test_a_part_of_a_line_is_so_much_once_and_a_whole_one_what_was_billed():
    document = invoiced(TWO_RATES, line("10.00", part=Decimal(10), whole=30, unit_price=Decimal(30)))
    part = note(document, credit(creditable(document, []), [CreditedLine(1, Decimal("4.00"))]))
    whole = note(document, credit(creditable(document, [])))
    assert (part["lines"][0]["quantity"], part["lines"][0]["unit_price"]) == ({"part": "1", "of": 1}, "4")
    assert (whole["lines"][0]["quantity"], whole["lines"][0]["unit_price"]) == (
        {"part": "10", "of": 30},
        "30",
    )


@pytest.mark.parametrize(
    ("asked", "refusal", "says"),
    [
        ([CreditedLine(9)], Unacceptable, "no line 9"),
        ([CreditedLine(1, Decimal(0))], Unacceptable, "more than 0"),
        ([CreditedLine(1, Decimal(-1))], Unacceptable, "more than 0"),
        ([CreditedLine(1, Decimal("NaN"))], Unacceptable, "more than 0"),
        ([CreditedLine(1, Decimal("0.001"))], Unacceptable, "multiples of 0.01"),
        ([CreditedLine(1), CreditedLine(1)], Unacceptable, "named twice"),
        ([], Unacceptable, "at least one line"),
        ([CreditedLine(1, Decimal("10.01"))], MoreThanLeft, "only 10.00 EUR are left"),
    ],
)
def test_what_cannot_be_given_back_is_refused_and_said(asked, refusal, says):
    document = invoiced(TWO_RATES, line("10.00"))
    with pytest.raises(refusal, match=says):
        credit(creditable(document, []), asked)
    assert credit(creditable(document, []), [CreditedLine(1, Decimal("10.00"))]).net == 10


def test_a_line_that_gave_back_is_only_undone_with_all_the_rest():
    document = invoiced(TWO_RATES, line("10.00"), line("-4.00", "back"))
    left = creditable(document, [])
    with pytest.raises(Unacceptable, match="gave something back itself"):
        credit(left, [CreditedLine(position(document, "-4.00"))])
    with pytest.raises(MoreThanLeft, match=r"only 6\.00 are left"):
        credit(left, [CreditedLine(position(document, "10.00"))])
    assert sums(note(document, credit(left))) == sums(document)


def test_what_a_later_invoice_took_back_is_not_given_back_again():
    document = two_lines()
    key = document["lines"][position(document, "100.50") - 1]["charge"]
    left = creditable(document, [], {key: Decimal("0.50")})
    assert {one.left for one in left.lines} == {Decimal("0.50"), Decimal("20.00")}
    assert credit(left).net == Decimal("20.50")


def test_cash_rounding_is_given_back_with_the_last_of_the_invoice():
    seller = replace(SELLER, cash_rounding=Decimal("0.05"))
    document = invoiced(given(seller=seller), line("10.01"))
    assert (document["total"], document["payable"]) == ("11.91", "11.90")
    step = seller.cash_rounding
    part = note(
        document, credit(creditable(document, []), [CreditedLine(1, Decimal("5.00"))], cash_step=step)
    )
    rest = note(document, credit(creditable(document, [part]), cash_step=step))
    # 5.00 at 19 % is 0.95; 5.95 is a multiple of 0.05. The rest is 5.96, of which 5.95 is payable.
    assert (part["payable"], rest["total"], rest["payable"]) == ("5.95", "5.96", "5.95")


CURRENCIES = st.sampled_from(["EUR", "JPY", "KWD"])
RATES = [
    replace(STANDARD, tax_class=tax_class, category=category, rate=Decimal(rate))
    for tax_class, category, rate in (
        ("standard", "S", "19"),
        ("reduced", "S", "8.875"),
        ("exempt", "E", "0"),
    )
]
AMOUNTS = st.lists(
    st.tuples(st.integers(-40, 400), st.sampled_from(["standard", "reduced", "exempt"])),
    min_size=1,
    max_size=6,
)


@settings(deadline=None)
@suppose(
    rows=AMOUNTS,
    currency=CURRENCIES,
    basis=st.sampled_from(["invoice", "item"]),
    cash=st.sampled_from([Decimal(0), Decimal(5)]),
    data=st.data(),
)
def test_an_invoice_and_its_credits_never_sum_to_less_than_nothing_and_a_full_one_to_nothing(
    rows, currency, basis, cash, data
):
    # Invariants 1, 2 and 9 of billing, the first two by the independent reckoning of ``soundness``.
    step = Decimal(1) if currency == "JPY" else Decimal("0.01")
    seller = replace(SELLER, currency=currency, tax_basis=basis, cash_rounding=cash * step)
    inputs = given(*RATES, seller=seller)
    rows = [(abs(rows[0][0]) + 200, rows[0][1]), *rows[1:]]
    document = invoiced(
        inputs,
        *(
            line(str(units * step), f"line {n}", tax_class=tax_class, currency=currency)
            for n, (units, tax_class) in enumerate(rows)
        ),
    )
    notes = []
    for _ in range(data.draw(st.integers(0, 4))):
        left = creditable(document, notes)
        billed = [one for one in left.lines if one.left > 0 and one.amount > 0]
        if billed:
            one = data.draw(st.sampled_from(billed))
            share = data.draw(st.integers(1, int(one.left / step)))
            try:
                given_back = credit(
                    left, [CreditedLine(one.line, share * step)], cash_step=seller.cash_rounding
                )
            except MoreThanLeft:
                continue
            notes.append(note(document, given_back))
    left = creditable(document, notes)
    assert left.net_left >= 0
    assert left.total_left >= 0
    if left.net_left > 0:
        notes.append(note(document, credit(left, cash_step=seller.cash_rounding)))
    end = creditable(document, notes)
    assert (end.net_left, end.tax_left, end.payable_left) == (0, 0, 0)
    assert all((group.base, group.tax) == (0, 0) for group in end.groups.values())
    assert [fault for one in notes for fault in document_faults(one)] == []


# What a close takes back

NOTES = Terms(SEPTEMBER, credit_as=CreditAs.CREDIT_NOTE)
LINES = Terms(SEPTEMBER)


def history(document, *, names=("one",), **more):
    places = {uid(name).hex * 2: [Place(uid("invoice"), n)] for n, name in enumerate(names, start=1)}
    return History(places=places, left={uid("invoice"): creditable(document, [])}, **more)


def test_what_was_undone_goes_on_a_credit_note_where_the_contract_says_so_and_else_on_a_line():
    document = invoiced(given(terms=NOTES), under_contract("10.00"))
    back = under_contract("-10.00")
    noted = split([back], given(terms=NOTES), history(document))
    assert ([one.credit.net for one in noted.given], noted.rest) == ([10], [])
    lined = split([back], given(terms=LINES), history(document))
    assert (lined.given, lined.rest) == ([], [back])
    listed = split([line("-10.00")], given(terms=NOTES), history(document))
    assert (listed.given, listed.rest) == ([], [line("-10.00")])


def test_the_credit_note_of_a_close_says_which_charge_it_gives_back():
    document = invoiced(given(terms=NOTES), under_contract("10.00"))
    (given_back,) = split([under_contract("-10.00")], given(terms=NOTES), history(document)).given
    charges = {1: given_back.lines[0].charge}
    made = credit_note(Heading("CRN-000001", ISSUED, SEPTEMBER, ""), document, given_back.credit, charges)
    (said,) = made["lines"]
    assert (said["amount"], said["quantity"], said["charge"]) == (
        "10.00",
        {"part": "1", "of": 1},
        document["lines"][0]["charge"],
    )
    assert (made["month"], made["total"]) == ("2026-09", document["total"])
    assert document_faults(made) == []


def test_what_no_invoice_can_bear_goes_on_the_next_invoice():
    document = invoiced(given(terms=NOTES), under_contract("10.00"))
    more = under_contract("-10.01")
    assert split([more], given(terms=NOTES), history(document)).rest == [more]
    twice = [under_contract("-6.00"), under_contract("-6.00")]
    found = split(twice, given(terms=NOTES), history(document))
    assert ([one.credit.net for one in found.given], len(found.rest)) == ([6], 1)


def test_missed_services_of_one_fee_are_given_back_of_its_line_together():
    fee = under_contract("38.00", rule=Rule.SITE_MONTH)
    document = invoiced(given(terms=NOTES), fee)
    missed = [under_contract("-9.50", f"missed {n}", rule=Rule.MISSED_SERVICE) for n in range(4)]
    places = {one.charge.key: [Place(uid("invoice"), 1)] for one in missed}
    known = History(places=places, left={uid("invoice"): creditable(document, [])})
    (given_back,) = split(missed, given(terms=NOTES), known).given
    assert ([one.amount for one in given_back.credit.lines], given_back.credit.net) == (
        [Decimal("9.50")] * 4,
        38,
    )


def test_what_the_office_gave_back_by_hand_is_not_given_back_again():
    key = line("10.00").charge.key
    by_hand = History(standing={key: Decimal("6.00")}, by_hand={key: Decimal("4.00")})
    back, rest = line("-10.00"), line("-6.00")
    assert split([back], given(), by_hand).waiting == [back]
    assert split([rest], given(), by_hand).rest == [rest]
    # Done again after that, the work is billed, and may be taken back.
    again = replace(line("10.00"), charge=replace(line("10.00").charge, unit_code="again"))
    assert split([again, back], given(), by_hand).waiting == []


def test_a_credit_of_several_amounts_of_one_line_is_bounded_by_the_line():
    document = invoiced(given(), line("10.00"), line("10.00", "two"))
    left = creditable(document, [])
    with pytest.raises(MoreThanLeft, match="line 1"):
        give_back(left, [CreditLine(1, Decimal(6)), CreditLine(1, Decimal(6))])


def test_an_exempt_group_is_given_back_without_tax():
    exempt = Rate("DE", "standard", "E", Decimal(0), "", "Article 132", SEPTEMBER, None)
    document = invoiced(given(exempt), line("10.00"))
    (group,) = note(document, credit(creditable(document, [])))["tax_groups"]
    assert (group["category"], group["reason"], group["tax"]) == ("E", "Article 132", "0.00")
