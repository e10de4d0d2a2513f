"""Prices that follow a published index: the arithmetic, and prices that wait for a figure."""

from datetime import date
from decimal import Decimal

import pytest

from accounts.errors import BadInput, Conflict
from billing.commands.prices import record_index_figure, set_price
from billing.queries import prices
from billing.rules.index_price import IndexClause, indexed_price
from tests.billing.books import APRIL, JULY, JUNE, MAY, list_prices

BASE, LATEST = date(2025, 1, 1), date(2026, 1, 1)
CLAUSE = IndexClause("CPI", BASE, LATEST)
D = Decimal


@pytest.mark.parametrize(
    ("prior", "base", "figure", "rest", "expected"),
    [
        # price x new figure / base figure, worked by hand; that a price is rounded once is common practice, no source.
        ("100.00", "118.6", "121.2", {}, "102.19"),
        ("100.00", "118.6", "121.2", {"decimals": 4}, "102.1922"),
        ("100.00", "118.6", "121.2", {"cap_percent": D(2)}, "102.00"),
        ("100.00", "118.6", "121.2", {"floor_percent": D(3)}, "103.00"),
        ("100.00", "118.6", "112.0", {}, "94.44"),
        ("100.00", "118.6", "112.0", {"floor_percent": D(-2)}, "98.00"),
        ("100.00", "118.6", "112.0", {"floor_percent": D(0)}, "100.00"),
        ("100.00", "118.6", "112.0", {"cap_percent": D(2)}, "94.44"),
        ("0.10", "100", "105", {}, "0.11"),  # 0.105 exactly: half away from zero
        ("1000", "100", "100.05", {"decimals": 0}, "1001"),  # 1000.5 exactly, in whole yen
        ("0", "100", "200", {}, "0.00"),
    ],
)
def test_a_price_moves_with_its_index_within_cap_and_floor(prior, base, figure, rest, expected):
    moved = indexed_price(D(prior), base_figure=D(base), figure=D(figure), **rest)

    assert str(moved) == expected


def version_on(cast, day):
    with cast.reading():
        (item,) = [item for item in prices.priced_items() if item.code == "month"]
        return item.version_on(day)


def index_price(cast, since=JUNE, index=CLAUSE, **rest):
    return set_price(
        actor=cast.owner, item_code="month", amount=None, effective_from=since, index=index, **rest
    )


def enter(cast, month, value, code="CPI"):
    return record_index_figure(actor=cast.owner, code=code, month=month, value=D(value))


def test_an_indexed_price_waits_for_both_figures_and_is_never_zero(north):
    list_prices(north)
    index_price(north)
    assert version_on(north, JUNE).amount is None
    assert version_on(north, MAY).amount == D(30)

    enter(north, LATEST, "121.2")
    enter(north, BASE, "9", code="OTHER")
    assert version_on(north, JUNE).amount is None
    enter(north, BASE, "118.6")
    assert version_on(north, JUNE).amount == D("30.66")  # 30 x 121.2 / 118.6 = 30.6577 by hand


def test_a_price_whose_figures_are_known_waits_for_nothing(north):
    list_prices(north)
    enter(north, BASE, "100")
    enter(north, LATEST, "110")

    price = index_price(north, index=IndexClause("CPI", BASE, LATEST, cap_percent=D(5), decimals=4))

    assert (price.amount, price.prior_amount) == (D("31.5000"), D(30))


def test_a_figure_once_entered_stays(north):
    enter(north, BASE, "118.6")

    with pytest.raises(Conflict, match=r"CPI has the figure 118\.6 for January 2025 already"):
        enter(north, BASE, "118.7")
    with north.reading():
        assert prices.figures_of("CPI") == {BASE: D("118.6")}


@pytest.mark.parametrize(
    ("values", "pointer", "sentence"),
    [
        ({"month": date(2026, 1, 2)}, "/month", "Name a month by its first day."),
        ({"value": D(0)}, "/value", "A figure of an index lies above 0."),
        ({"value": D("1.00001")}, "/value", "no more than 4 decimal places"),
        ({"code": ""}, "/code", "Code is missing."),
    ],
)
def test_what_is_no_figure_is_refused(north, values, pointer, sentence):
    figure = {"code": "CPI", "month": BASE, "value": D(100), **values}

    with pytest.raises(BadInput, match=sentence) as refusal:
        record_index_figure(actor=north.owner, **figure)
    assert [problem.pointer for problem in refusal.value.errors] == [pointer]


@pytest.mark.parametrize(
    ("changes", "pointer", "sentence"),
    [
        ({"code": ""}, "/index/code", "An index has a code"),
        ({"base_month": date(2025, 1, 2)}, "/index/base_month", "Name a month by its first day."),
        ({"month": BASE}, "/index/month", "from the base month to a later one"),
        ({"decimals": 7}, "/index/decimals", "A price has from 0 to 6 decimals."),
        ({"prior_amount": D(-1)}, "/index/prior_amount", "A price is a decimal from 0"),
        (
            {"cap_percent": D(2), "floor_percent": D(3)},
            "/index/floor_percent",
            "The floor lies above the cap.",
        ),
        ({"floor_percent": D(-101)}, "/index/floor_percent", "A floor lies from -100 to 1000 percent."),
    ],
)
def test_a_clause_that_makes_no_sense_is_refused(north, changes, pointer, sentence):
    list_prices(north)
    values = {"code": "CPI", "base_month": BASE, "month": LATEST, **changes}

    with pytest.raises(BadInput, match=sentence) as refusal:
        index_price(north, index=IndexClause(**values))
    assert [problem.pointer for problem in refusal.value.errors] == [pointer]
    assert version_on(north, JUNE).amount == D(30)


def test_an_index_needs_a_price_to_move(north):
    list_prices(north, MAY)
    index_price(north)

    with pytest.raises(
        BadInput, match=r"The price before it does not exist\. Say what amount the index moves"
    ):
        index_price(north, since=APRIL)
    with pytest.raises(BadInput, match="The price before it waits for an index figure itself"):
        index_price(north, since=JULY)
    with pytest.raises(BadInput, match="The price before it is in EUR, so this one is too"):
        index_price(north, since=date(2026, 5, 20), currency="CHF")
    with pytest.raises(BadInput, match="Give an amount, or the index that it follows"):
        set_price(actor=north.owner, item_code="month", amount=None, effective_from=JULY)
    with pytest.raises(BadInput, match="not both"):
        set_price(actor=north.owner, item_code="month", amount=D(1), effective_from=JULY, index=CLAUSE)
    index_price(north, since=JULY, index=IndexClause("CPI", BASE, LATEST, prior_amount=D(40)))
