"""Prices of one contract or one site of it, prices that end, letters about them, and items with tax class and account."""

from datetime import date
from decimal import Decimal

import pytest

from accounts.errors import BadInput, Conflict, NotFound
from billing.commands import parties
from billing.commands.prices import NewPriceItem, add_price_items, announce_price, set_price
from billing.queries import prices
from tests.billing.books import APRIL, JULY, JUNE, MAY, list_prices
from tests.billing.test_contracts import add

D = Decimal


@pytest.fixture
def books(north):
    list_prices(north)
    return north


def price(cast, amount, since=MAY, **scope):
    return set_price(actor=cast.owner, item_code="month", amount=D(amount), effective_from=since, **scope)


def versions(cast, contract_ids=None):
    with cast.reading():
        (item,) = [item for item in prices.priced_items(contract_ids) if item.code == "month"]
        rows = [(v.contract_id, v.site_id, v.amount, v.effective_from, v.effective_to) for v in item.versions]
    return sorted(rows, key=lambda row: (row[0] is not None, row[1] is not None, row[3]))


def test_list_contract_and_site_have_prices_side_by_side(books):
    contract = add(books)
    price(books, "28", contract_number="K-1")
    price(books, "25", contract_number="K-1", site_code="S1")

    assert versions(books) == [
        (None, None, D(30), APRIL, None),
        (contract.id, None, D(28), MAY, None),
        (contract.id, books.site.id, D(25), MAY, None),
    ]
    assert versions(books, []) == [(None, None, D(30), APRIL, None)]
    assert len(versions(books, [contract.id])) == 3
    with books.reading():
        assert [(one.site_id, one.amount) for one in prices.prices_of_contract(contract.id)] == [
            (None, D(28)),
            (books.site.id, D(25)),
        ]
        assert [len(one.prices) for one in prices.with_prices(list(prices.price_items()))] == [1, 1, 1]


def test_prices_of_the_same_never_overlap(books):
    add(books)
    price(books, "28", contract_number="K-1")
    price(books, "29", JULY, contract_number="K-1")

    with pytest.raises(Conflict) as refusal:
        price(books, "27", contract_number="K-1")
    assert str(refusal.value) == (
        "Unit and month under K-1 has a price from Fri 1 May 2026 already. Choose another day."
    )
    assert [problem.pointer for problem in refusal.value.errors] == ["/effective_from"]
    with pytest.raises(
        Conflict, match=r"from Wed 1 Jul 2026 already\. Let this one end there or before"
    ) as refusal:
        price(books, "27", JUNE, effective_to=date(2026, 7, 2), contract_number="K-1")
    assert [problem.pointer for problem in refusal.value.errors] == ["/effective_to"]
    price(books, "27", JUNE, contract_number="K-1")
    assert [row[2:] for row in versions(books)[1:]] == [
        (D(28), MAY, JUNE),
        (D(27), JUNE, JULY),
        (D(29), JULY, None),
    ]


def test_a_price_can_have_an_end_and_then_the_wider_one_holds(books):
    contract = add(books)
    price(books, "20", MAY, effective_to=JUNE, contract_number="K-1")

    assert versions(books)[1] == (contract.id, None, D(20), MAY, JUNE)
    with pytest.raises(
        BadInput, match="It begins on Fri 1 May 2026, so its end must lie after that"
    ) as refusal:
        price(books, "20", MAY, effective_to=MAY)
    assert [problem.pointer for problem in refusal.value.errors] == ["/effective_to"]


def test_a_price_is_for_what_is_there(books, south):
    add(south)
    with pytest.raises(NotFound, match="There is no contract here with this number"):
        price(books, "1", contract_number="K-1")
    add(books)
    with pytest.raises(NotFound, match=r"K-1 has no site of the code S9\. Let the site join") as refusal:
        price(books, "1", contract_number="K-1", site_code="S9")
    assert [problem.pointer for problem in refusal.value.errors] == ["/site"]
    with pytest.raises(BadInput, match="A price for one site is a price of its contract") as refusal:
        price(books, "1", site_code="S1")
    assert [problem.pointer for problem in refusal.value.errors] == ["/contract"]


@pytest.mark.parametrize(
    ("amount", "currency", "sentence"),
    [("-0.01", "", "A price is a decimal from 0"), ("1", "XAU", "'XAU' is not a currency of ISO 4217")],
)
def test_a_price_that_makes_no_sense_is_refused(books, amount, currency, sentence):
    with pytest.raises(BadInput, match=sentence):
        price(books, amount, currency=currency)
    assert len(versions(books)) == 1


def test_a_contracts_price_is_in_the_currency_of_who_issues(books):
    parties.set_legal_entity(
        actor=books.owner,
        code="CH",
        values={"legal_name": "Fixture Care CH", "country": "CH", "currency": "CHF"},
    )
    add(books)

    assert price(books, "28", contract_number="K-1").currency == "CHF"
    assert price(books, "29", JUNE, contract_number="K-1", currency="EUR").currency == "EUR"
    assert price(books, "30", JULY, contract_number="K-1").currency == "EUR"


def test_a_price_is_announced_before_it_begins_and_listed_ahead(books):
    new = price(books, "31", JULY)
    with books.reading():
        (ahead,) = prices.price_changes_ahead(JUNE, 30)
        none = prices.price_changes_ahead(JUNE, 29)
    assert (ahead.price.amount, ahead.before.amount, ahead.price.announced_on) == (D(31), D(30), None)
    assert none == []

    announce_price(actor=books.owner, price_id=new.id, announced_on=MAY)
    with books.reading():
        assert prices.get_price_version(new.id).announced_on == MAY
    with pytest.raises(BadInput, match="A price from Wed 1 Jul 2026 is announced before that day"):
        announce_price(actor=books.owner, price_id=new.id, announced_on=JULY)
    with pytest.raises(BadInput, match="is announced before that day"):
        price(books, "32", date(2026, 8, 1), announced_on=date(2026, 8, 1))


def test_an_item_has_a_tax_class_and_an_account(north):
    add_price_items(
        actor=north.owner,
        items=[
            NewPriceItem("flat", "Site and month", "site_month", None, None, revenue_account="4400"),
            NewPriceItem("visit", "Visit", "visit", D(50), APRIL, tax_class="reduced"),
        ],
    )
    with north.reading():
        flat, visit = prices.priced_items()
    assert (flat.tax_class, flat.revenue_account, flat.versions) == ("standard", "4400", ())
    assert (visit.tax_class, visit.revenue_account, len(visit.versions)) == ("reduced", "", 1)


@pytest.mark.parametrize(
    ("changes", "pointer", "sentence"),
    [
        ({"tax_class": "luxury"}, "/tax_class", "luxury is no tax class. Choose one of standard,"),
        ({"revenue_account": "44 00"}, "/revenue_account", "An account's number has up to 20"),
        ({"fixture": "urinal"}, "/fixture", "The basis visit is of a whole site. Leave it empty."),
        ({"amount": None}, "/amount", "Give an amount and the day it holds from, or neither."),
        ({"effective_from": None}, "/effective_from", "or neither"),
    ],
)
def test_an_item_that_makes_no_sense_is_refused(north, changes, pointer, sentence):
    values = {
        "code": "visit", "name": "Visit", "basis": "visit", "amount": D(50), "effective_from": APRIL, **changes
    }  # fmt: skip
    with pytest.raises(BadInput, match=sentence) as refusal:
        add_price_items(actor=north.owner, items=[NewPriceItem(**values)])
    assert [problem.pointer for problem in refusal.value.errors] == [f"/0{pointer}"]
