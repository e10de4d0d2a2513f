"""From charges to lines, and what holds for any history however it arrived."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from billing.rules.documents import canonical_bytes, decimal_text
from billing.rules.inputs import Basis, Standstill
from billing.rules.invoicing import Kind, Line, differences
from tests.billing.plain import (
    CLOSET,
    DECEMBER,
    HARBOUR,
    MILL,
    MILL_URINAL,
    NOVEMBER,
    OCTOBER,
    SEPTEMBER,
    UNIT,
    URINAL,
    at,
    event,
    inputs,
    installed,
    item,
    monthly,
    rate_unit,
    site,
    uid,
    version,
    withdrawn,
)


def rated(given, events, open_from):
    return rate_unit(given, UNIT, events, first_month=SEPTEMBER, open_from=open_from)


def standing(lines):
    """What stands per charge after these lines."""
    found = {}
    for line in lines:
        charge = line.charge
        was = found.get(charge.key)
        found[charge.key] = (
            replace(charge, part=charge.part + was.part, amount=charge.amount + was.amount) if was else charge
        )
    return found


def amounts(charges):
    return {c.key: c.amount for c in charges if c.amount}


PAUSED = Standstill(date(2026, 10, 5), date(2026, 10, 11), "half")
DAYS = st.dates(SEPTEMBER, date(2026, 11, 30))


def world(currency):
    change = date(2026, 10, 17)
    urinal = item(
        "month",
        Basis.UNIT_MONTH,
        version("u", "31.005", SEPTEMBER, change, currency),
        version("u", "33.333333", change, None, currency),
        fixture="urinal",
    )
    wick = item("wick", Basis.EVENT, version("w", "12.345", currency=currency), event_type="wick.changed")
    install = item("install", Basis.INSTALL, version("i", "45.5", currency=currency))
    places = (site(HARBOUR, "HARBOUR", pauses=(PAUSED,)), site(MILL, "MILL", since=date(2026, 9, 10)))
    return inputs(
        urinal, monthly("20", fixture="water_closet", currency=currency), wick, install, sites=places
    )


@st.composite
def histories(draw):
    kinds = st.sampled_from(["unit.installed", "unit.moved", "unit.withdrawn", "wick.changed", "wick.washed"])
    steps = draw(
        st.lists(st.tuples(DAYS, kinds, st.sampled_from([URINAL, CLOSET, MILL_URINAL])), max_size=12)
    )
    return [
        event(
            f"step {n}",
            kind,
            at(str(day), "12:00"),
            sequence=n + 1,
            station_id=station if kind.startswith("unit.") else None,
        )
        for n, (day, kind, station) in enumerate(steps)
    ]


CURRENCIES = st.sampled_from(["EUR", "JPY", "KWD"])


@settings(deadline=None, max_examples=60)
@given(history=histories(), currency=CURRENCIES, data=st.data())
def test_the_order_of_arrival_changes_nothing(history, currency, data):
    given_inputs = world(currency)
    shuffled = data.draw(st.permutations(history))
    assert rated(given_inputs, shuffled, DECEMBER) == rated(given_inputs, history, DECEMBER)


@settings(deadline=None, max_examples=60)
@given(history=histories(), currency=CURRENCIES)
def test_every_event_has_one_disposition_and_every_billed_one_its_charge(history, currency):
    result = rated(world(currency), history, DECEMBER)
    assert sorted(d.event_id for d in result.dispositions) == sorted(h.event_id for h in history)
    billed = {d.charge_key for d in result.dispositions if d.outcome == "billed"}
    assert billed == {c.key for c in result.charges if c.event_id is not None}
    assert len({c.key for c in result.charges}) == len(result.charges)


@settings(deadline=None, max_examples=60)
@given(history=histories(), currency=CURRENCIES)
def test_no_day_of_a_unit_is_charged_twice(history, currency):
    charges = [c for c in rated(world(currency), history, DECEMBER).charges if c.event_id is None]
    by_month = {}
    for charge in charges:
        by_month.setdefault(charge.service_on.month, []).append(charge)
    assert all(sum(c.part for c in month) <= month[0].whole for month in by_month.values())


@settings(deadline=None, max_examples=60)
@given(history=histories(), currency=CURRENCIES, data=st.data())
def test_billing_month_by_month_with_late_and_countered_events_totals_what_billing_once_does(
    history, currency, data
):
    # Each event is known from one of three closes on, and may be countered at a later one.
    given_inputs = world(currency)
    known_from = [data.draw(st.integers(0, 2)) for _ in history]
    gone_from = [data.draw(st.integers(k, 4)) for k in known_from]
    lines = []
    for close, (month, end) in enumerate([(SEPTEMBER, OCTOBER), (OCTOBER, NOVEMBER), (NOVEMBER, DECEMBER)]):
        known = [
            replace(h, standing="superseded", superseded_by=uid("counter")) if gone <= close else h
            for h, since, gone in zip(history, known_from, gone_from, strict=True)
            if since <= close
        ]
        lines += differences(rated(given_inputs, known, end).charges, standing(lines), month)
    once = [h for h, gone in zip(history, gone_from, strict=True) if gone > 2]
    assert amounts(standing(lines).values()) == amounts(rated(given_inputs, once, DECEMBER).charges)
    assert all((line.kind is Kind.CREDIT) == (line.charge.amount < 0) for line in lines)


def one_line():
    (charge,) = rated(inputs(monthly()), [installed("2026-09-21")], OCTOBER).charges
    return Line(Kind.REGULAR, charge)


def test_a_charge_stays_with_the_customer_it_was_first_billed_to():
    line = one_line()
    elsewhere = replace(line.charge, customer_id=uid("new owner"), amount=Decimal("12.00"))
    (difference,) = differences([elsewhere], {line.charge.key: line.charge}, OCTOBER)
    assert (difference.charge.customer_id, difference.charge.amount) == (
        line.charge.customer_id,
        Decimal("2.00"),
    )
    assert difference.kind is Kind.LATE


def test_a_difference_covers_the_days_billed_before_and_now():
    before = rated(inputs(monthly()), [installed("2026-09-01")], OCTOBER).charges
    now = rated(inputs(monthly()), [installed("2026-09-01"), withdrawn("2026-09-16")], OCTOBER).charges
    (line,) = differences(now, {c.key: c for c in before}, OCTOBER)
    assert (line.kind, line.charge.part, line.charge.amount) == (Kind.CREDIT, Decimal(-15), Decimal("-15.00"))
    assert (line.charge.starts_on, line.charge.ends_before) == (SEPTEMBER, OCTOBER)


def test_canonical_json_is_that_of_rfc_8785_for_texts_whole_numbers_and_null():
    # RFC 8785 section 3.2.2 and 3.2.3: sorted keys, no white space, short escapes, other characters as they are.
    data = {"peach": "ö€", "numbers": [1, 10], "literals": [None], "a": 'quote " and \\ and \n'}
    expected = '{"a":"quote \\" and \\\\ and \\n","literals":[null],"numbers":[1,10],"peach":"ö€"}'
    assert canonical_bytes(data) == expected.encode()


def test_decimals_are_written_plainly():
    written = [decimal_text(Decimal(text)) for text in ("30.000000", "0.500000", "-1.0", "1E+2", "0.000001")]
    assert written == ["30", "0.5", "-1", "100", "0.000001"]
