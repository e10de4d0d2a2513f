"""Giving back of issued invoices: by hand, at a close, and never more than is left."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from decimal import Decimal

import pytest
from django.db import connections

from accounts import clock
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import closing, contracts, parties, prices
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.crediting import credit_document
from billing.commands.prices import NewPriceItem
from billing.commands.terms import NewTerms
from billing.queries import documents
from billing.rules.crediting import CreditedLine
from billing.rules.documents import digest
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices, on

GERMAN = {
    "legal_name": "Northern Drip Rounds GmbH",
    "country": "DE",
    "regime": "vat",
    "vat_id": "DE123456789",
}


def with_vat(cast):
    """An invented German seller with one rate."""
    parties.set_legal_entity(actor=cast.owner, code="MAIN", values=GERMAN)
    parties.set_tax_rate(
        actor=cast.owner,
        jurisdiction="DE",
        tax_class="standard",
        category="S",
        rate=Decimal(19),
        effective_from=date(2020, 1, 1),
    )


def invoiced(cast, *events):
    """April of one unit, billed: a month of 30.00 and an installation of 45.00."""
    list_prices(cast)
    cast.upload(cast.installed(at=on(4, 1)), *events)
    return close(cast, APRIL)


def document(cast, number):
    with cast.reading():
        return documents.get_document(number)


def left(cast, number="INV-000001"):
    with cast.reading():
        return documents.creditable(number)


def give(cast, lines=None, number="INV-000001", reason="Agreed with the customer"):
    return credit_document(actor=cast.actors[Role.BOOKKEEPER], number=number, reason=reason, lines=lines)


def position(cast, amount):
    return next(one.line for one in left(cast).lines if one.amount == Decimal(amount))


def test_a_void_gives_back_the_whole_invoice_with_its_tax(north):
    with_vat(north)
    invoiced(north)
    original = document(north, "INV-000001")
    note = give(north)
    assert (note.number, note.kind, note.corrects_id) == ("CRN-000001", "credit_note", original.id)
    assert (note.net, note.tax, note.total) == (original.net, original.tax, original.total)
    # 75.00 at 19 % is 14.25: recomputed by hand.
    assert (str(original.net), str(original.tax)) == ("75.0000", "14.2500")
    assert note.document["reason"] == "Agreed with the customer"
    assert left(north).total_left == 0
    with pytest.raises(Conflict, match="Nothing is left of INV-000001"):
        give(north)
    assert closing.differences(north.operator.id) == []


def test_parts_are_given_back_until_the_last_takes_the_rest(north):
    with_vat(north)
    invoiced(north)
    month, install = position(north, "30.00"), position(north, "45.00")
    first = give(north, [CreditedLine(month, Decimal("10.01"))])
    with pytest.raises(Conflict, match=r"only 19\.99 EUR are left"):
        give(north, [CreditedLine(month, Decimal("20.00"))])
    second = give(north, [CreditedLine(month), CreditedLine(install, Decimal("0.01"))])
    last = give(north)
    # 19 % of 10.01 is 1.9019 and of 20.00 is 3.80; the rest of 14.25 is 8.55: recomputed by hand.
    assert [note.document["tax"] for note in (first, second, last)] == ["1.90", "3.80", "8.55"]
    assert [note.ordinal for note in (first, second, last)] == [1, 2, 3]
    assert second.previous_sha256 == first.document_sha256
    assert digest(last.document) == last.document_sha256
    assert left(north).total_left == 0
    assert closing.differences(north.operator.id) == []


def test_what_is_wrong_with_a_credit_is_said_with_a_pointer(north):
    invoiced(north)
    with pytest.raises(BadInput, match="no line 7") as unknown:
        give(north, [CreditedLine(1), CreditedLine(7)])
    assert [(one.pointer, one.code) for one in unknown.value.errors] == [("/lines/1/line", "line")]
    with pytest.raises(BadInput, match="more than 0") as nothing:
        give(north, [CreditedLine(1, Decimal(0))])
    assert [one.pointer for one in nothing.value.errors] == ["/lines/0/amount"]
    with pytest.raises(Conflict, match="left to give back") as too_much:
        give(north, [CreditedLine(1, Decimal(1000))])
    assert [one.code for one in too_much.value.errors] == ["more-than-left"]
    with pytest.raises(BadInput, match="Say why"):
        give(north, reason=" ")
    with pytest.raises(NotFound):
        give(north, number="INV-000009")
    with pytest.raises(Forbidden):
        credit_document(actor=north.dispatcher, number="INV-000001", reason="No")
    assert give(north).ordinal == 1


def test_a_credit_note_is_not_given_back_of_and_a_rivals_invoice_is_not_there(north, south):
    invoiced(north)
    note = give(north)
    with pytest.raises(Conflict, match="is no invoice"):
        give(north, number=note.number)
    with pytest.raises(NotFound):
        give(south)


def test_of_two_who_give_back_at_once_one_is_told_that_nothing_is_left(north):
    invoiced(north)
    clock.set_to(on(5, 4))

    def attempt(_):
        try:
            give(north)
        except Conflict as refused:
            return refused.code
        finally:
            connections.close_all()
        return "given"

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(attempt, range(2))) == ["conflict", "given"]
    with north.reading():
        assert [note.number for note in documents.credit_notes()] == ["CRN-000001"]


def countered(cast, event):
    return cast.event("event.countered", cast.unit, on(5, 20), corrects=event["id"], reason="not_done")


def test_work_undone_after_it_was_billed_is_a_line_of_the_next_invoice_by_the_list(north):
    wick = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    invoiced(north, wick)
    north.upload(countered(north, wick))
    close(north, MAY)
    kinds = [(one["kind"], one["amount"]) for one in document(north, "INV-000002").document["lines"]]
    assert ("credit", "-12.50") in kinds
    taken = next(one for one in left(north).lines if one.amount == Decimal("12.50"))
    assert taken.left == 0
    assert give(north).document["net"] == "75.00"
    assert closing.differences(north.operator.id) == []


def under_contract(cast, credit_as, terms=None):
    new = NewContract(
        "K1",
        cast.customer.id,
        APRIL,
        sites=[NewContractSite(cast.site.id)],
        terms=terms or NewTerms(mode="unit_service", credit_as=credit_as),
    )
    contracts.add_contract(actor=cast.owner, new=new)


def test_work_undone_under_a_contract_of_credit_notes_is_given_back_of_its_own_invoice(north):
    with_vat(north)
    under_contract(north, "credit_note")
    wicks = [north.event("wick.changed", north.unit, on(4, day), reason="age") for day in (14, 21)]
    invoiced(north, *wicks)
    before = document(north, "INV-000001")
    north.upload(*(countered(north, wick) for wick in wicks))
    closed = close(north, MAY)
    with north.reading():
        (note,) = documents.credit_notes().filter(corrects_id=before.id).defer(None)
    # Two wicks at 12.50, and 19 % of 25.00: recomputed by hand.
    assert [note.document[name] for name in ("net", "tax", "total", "month")] == [
        "25.00",
        "4.75",
        "29.75",
        "2026-05",
    ]
    assert (note.close_id, note.number) == (closed.id, "CRN-000001")
    assert {one["credits"]["number"] for one in note.document["lines"]} == {"INV-000001"}
    assert left(north).net_left == before.net - 25
    assert closing.differences(north.operator.id) == []


def test_a_service_found_missed_later_is_given_back_of_the_fee_of_its_day(north):
    with_vat(north)
    prices.add_price_items(
        actor=north.owner, items=[NewPriceItem("flat", "Site and month", "site_month", Decimal(38), APRIL)]
    )
    terms = NewTerms(mode="flat_site", credits_missed=True, credit_as="credit_note")
    under_contract(north, "credit_note", terms)
    exchanged = north.exchanged(at=on(4, 10))
    north.upload(north.installed(at=on(4, 1)), exchanged)
    close(north, APRIL)
    north.upload(countered(north, exchanged), north.exchanged(at=on(5, 10)))
    close(north, MAY)
    with north.reading():
        (note,) = documents.credit_notes().defer(None)
    (line,) = note.document["lines"]
    assert (line["rule"], line["credits"]["number"]) == ("missed_service", "INV-000001")
    # The one service of April at a fee of 38.00 was missed: all of it, and 19 % of 38.00.
    assert [note.document[name] for name in ("net", "tax", "total")] == ["38.00", "7.22", "45.22"]
    assert closing.differences(north.operator.id) == []


def test_what_was_given_back_by_hand_is_not_taken_back_again_by_a_close(north):
    wick = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    invoiced(north, wick)
    give(north, [CreditedLine(position(north, "12.50"))])
    north.upload(countered(north, wick))
    close(north, MAY)
    assert {one["kind"] for one in document(north, "INV-000002").document["lines"]} == {"regular"}
    close(north, JUNE)
    assert {one["kind"] for one in document(north, "INV-000003").document["lines"]} == {"regular"}
    assert closing.differences(north.operator.id) == []
