"""Why a charge is what it is: its clause, price, events, arithmetic and where it stands."""

from decimal import Decimal
from uuid import uuid4

import pytest

from accounts.errors import NotFound
from accounts.permissions import Role
from billing.queries import closes, explaining
from billing.rules.rating import Rule
from billing.rules.wording import Figures, arithmetic, clause_words, disposition_words, price_words
from tests.api.callers import signed_in
from tests.billing.books import APRIL, MAY, close, list_prices, on


@pytest.fixture
def april(north):
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 21)), north.event("wick.changed", north.unit, on(4, 24), reason="age")
    )
    close(north, APRIL)
    return north


def explained(cast, item_code, kind="regular"):
    with cast.reading():
        row = next(r for r in closes.charges() if (r.item_code, r.kind) == (item_code, kind))
        return explaining.explain(row.id)


def test_a_units_month_is_told_by_its_days_and_the_installation_behind_it(april):
    told = explained(april, "month")

    assert told.arithmetic == (
        "10 of 30 days (from 2026-04-21 until before 2026-05-01) x 30 EUR = 10.00 EUR.",
    )
    assert told.price == "Unit and month: 30 EUR from 2026-04-01, of the price list."
    assert told.clause.startswith("No contract covers the site on that day, so the price list holds.")
    assert [event.type for event in told.events] == ["unit.installed"]
    assert [(place.number, place.month, str(place.amount)) for place in told.places] == [
        ("INV-000001", APRIL, "10.0000")
    ]
    assert told.sentences[0].startswith("This line is for a unit's days in service, unit ")


def test_a_piece_of_work_is_told_by_its_event_and_what_became_of_it(april):
    told = explained(april, "wick")

    assert [(event.type, event.became) for event in told.events] == [("wick.changed", "Billed.")]
    assert told.arithmetic == ("1 x 12.5 EUR = 12.50 EUR.",)


def test_a_later_difference_says_what_was_charged_before(april):
    with april.reading():
        wick = next(row.event_id for row in closes.charges() if row.item_code == "wick")
    april.upload(april.event("event.countered", april.unit, on(5, 2), reason="other", corrects=str(wick)))
    close(april, MAY)

    told = explained(april, "wick", kind="credit")

    assert told.standing == Decimal(0)
    assert told.arithmetic[-1] == (
        "Earlier closes charged 12.50 EUR; as known now it is 0.00 EUR, and this line is the difference."
    )
    assert [event.became for event in told.events] == ["Superseded by a correction."]
    assert [place.month for place in told.places] == [APRIL, MAY]


def test_a_rivals_charge_is_not_there(april, south):
    with april.reading():
        row = closes.charges()[0]
    with south.reading(), pytest.raises(NotFound):
        explaining.explain(row.id)
    with south.reading(), pytest.raises(NotFound):
        explaining.explain(uuid4())


def test_the_api_explains_a_charge_to_whoever_may_read_invoices(april):
    books = signed_in(april, Role.BOOKKEEPER)
    charge = next(row for row in books.read("charges").json()["results"] if row["item_code"] == "month")

    told = books.read(f"charges/{charge['id']}/explain").json()

    assert told["charge"] == charge
    assert told["standing"] == "10.00"
    assert told["places"][0]["amount"] == "10.00"
    assert told["price_version"]["scope"] == "of the price list"
    assert told["sentences"][-1].endswith("x 30 EUR = 10.00 EUR.")
    refused = signed_in(april, Role.CREW_MEMBER).read(f"charges/{charge['id']}/explain")
    assert refused.status_code == 403


def figures(**more):
    values = {
        "rule": Rule.UNIT_MONTH,
        "unit_price": Decimal(30),
        "currency": "EUR",
        "part": Decimal(10),
        "whole": 31,
        "starts_on": APRIL,
        "ends_before": MAY,
        "amount": Decimal("9.68"),
    }
    return Figures(**{**values, **more})


# Figures by hand: 30 x 10 / 31 = 9.677...; 38 - 30 = 8; 38 / 4 = 9.50.
@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (
            figures(),
            "10 of 31 days (from 2026-04-01 until before 2026-05-01) x 30 EUR = 9.68 EUR, rounded half away from zero.",
        ),
        (
            figures(
                rule=Rule.VISIT_MINIMUM,
                amount=Decimal(8),
                part=Decimal(1),
                whole=1,
                workings={"lines": "30.00", "minimum": "38.00"},
            ),
            "The lines come to 30.00, the minimum is 38.00; the rest is this line.",
        ),
        (
            figures(
                rule=Rule.MISSED_SERVICE,
                amount=Decimal("-9.50"),
                part=Decimal(-1),
                whole=4,
                workings={"planned": 4, "missed": 1, "due_on": "2026-04-12", "fee": "38.00"},
            ),
            "1 of 4 services planned was missed, the one due on 2026-04-12: so much of the fee of 38.00 is given back.",
        ),
        (
            figures(currency="JPY", unit_price=Decimal(3000), amount=Decimal(968)),
            "10 of 31 days (from 2026-04-01 until before 2026-05-01) x 3000 JPY = 968 JPY, rounded half away from zero.",
        ),
    ],
    ids=["prorated", "visit minimum", "missed service", "yen"],
)
def test_arithmetic_reads_as_one_would_reckon_it(told, sentence):
    assert sentence in arithmetic(told)


def test_every_mode_and_clause_has_words_that_name_the_contract():
    clauses = ["contract:flat_site", "contract:per_visit", "visit_minimum", "missed_service", "claw_back"]
    said = [clause_words(clause, "K-7", "A-1") for clause in clauses]

    assert all(sentence.startswith("Contract K-7: ") and sentence.endswith(".") for sentence in said)
    assert len(set(said)) == len(clauses)


def test_an_included_event_says_by_what_and_which_one_it_was():
    said = disposition_words("included", "inclusion", "inclusion:wick.changed", "1 of 1 from 2026-03-01")

    assert said == "Included: the contract includes so many of these (1 of 1 from 2026-03-01)."


def test_an_index_price_says_how_it_came_about():
    version = {
        "amount": "30.6",
        "currency": "EUR",
        "effective_from": APRIL,
        "effective_to": None,
        "scope": "of contract K-7",
        "index": {
            "code": "CPI",
            "month": "2026-01",
            "base_month": "2025-01",
            "prior_amount": "30",
            "cap": "3",
            "floor": None,
            "decimals": 2,
        },
    }

    assert price_words(version, "Month") == (
        "Month: 30.6 EUR from 2026-04-01, of contract K-7. It is 30 x CPI of 2026-01 / of 2025-01, at most 3 %, "
        "rounded once to 2 decimals."
    )
