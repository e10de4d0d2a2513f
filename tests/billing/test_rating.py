"""What a unit's month and its work cost."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from billing.rules.freezing import frozen, thawed
from billing.rules.inputs import Basis, Standstill
from billing.rules.places import walk
from billing.rules.rating import Rule, Work, month_after
from billing.rules.rating import rate as rate_all
from tests.billing.plain import (
    CLOSET,
    DECEMBER,
    HARBOUR,
    INSTALL,
    MILL,
    MILL_URINAL,
    NOVEMBER,
    OCTOBER,
    SEPTEMBER,
    UNIT,
    URINAL,
    WICK,
    at,
    event,
    inputs,
    installed,
    item,
    monthly,
    moved,
    rate_unit,
    site,
    uid,
    version,
    withdrawn,
)


def rate(given, *happenings, open_from=OCTOBER):
    return rate_unit(given, UNIT, happenings, first_month=SEPTEMBER, open_from=open_from)


def months(rated):
    return [c for c in rated.charges if c.rule is Rule.UNIT_MONTH]


def amounts(rated):
    return [str(c.amount) for c in months(rated)]


def test_a_whole_month_in_service_costs_the_whole_price():
    rated = rate(inputs(), installed("2026-09-01"))
    assert [(c.starts_on, c.ends_before, c.part, c.whole) for c in months(rated)] == [
        (SEPTEMBER, OCTOBER, 30, 30)
    ]
    assert amounts(rated) == ["30.00"]


def test_a_part_of_a_month_is_charged_over_the_days_of_the_whole_month():
    # Common practice, no source: days in service over days of the whole period, never of the part.
    rated = rate(inputs(), installed("2026-09-21"))
    assert [(c.part, c.whole, str(c.amount)) for c in months(rated)] == [(10, 30, "10.00")]


def test_the_end_of_a_period_is_exclusive():
    # FOCUS_Spec 1.0: BillingPeriodStart is inclusive and BillingPeriodEnd exclusive, so July ends on 1 August.
    assert month_after(date(2021, 7, 1)) == date(2021, 8, 1)
    assert month_after(date(2021, 12, 1)) == date(2022, 1, 1)
    rated = rate(inputs(), installed("2026-09-01"), withdrawn("2026-09-30"))
    assert [(c.ends_before, c.part) for c in months(rated)] == [(date(2026, 9, 30), 29)]


def test_a_month_outside_the_agreement_is_not_charged_and_its_days_are_counted():
    given = inputs(sites=(site(HARBOUR, "HARBOUR", since=date(2026, 9, 11)), site(MILL, "MILL")))
    rated = rate(given, installed("2026-09-01"))
    assert (amounts(rated), rated.days_without_agreement) == (["20.00"], 10)


def test_days_without_a_price_are_counted_and_not_charged_at_zero():
    gap = item("month", Basis.UNIT_MONTH, version("month", "30", date(2026, 9, 16)), fixture="urinal")
    rated = rate(inputs(gap, WICK), installed("2026-09-01"))
    assert (amounts(rated), rated.days_without_price) == (["15.00"], 15)


def test_a_price_change_splits_the_month_at_its_date():
    change = date(2026, 9, 11)
    priced = item(
        "month",
        Basis.UNIT_MONTH,
        version("month", "30", SEPTEMBER, change),
        version("month", "36", change),
        fixture="urinal",
    )
    rated = rate(inputs(priced), installed("2026-09-01"))
    assert [(c.starts_on, c.ends_before, str(c.amount)) for c in months(rated)] == [
        (SEPTEMBER, change, "10.00"),
        (change, OCTOBER, "24.00"),
    ]


@pytest.mark.parametrize(
    ("billing", "amount", "part"), [("full", "30.00", "30"), ("half", "25.00", "25"), ("none", "20.00", "20")]
)
def test_standstill_days_cost_what_the_standstill_says(billing, amount, part):
    pause = Standstill(date(2026, 9, 11), date(2026, 9, 20), billing)
    rated = rate(inputs(sites=(site(HARBOUR, "HARBOUR", pauses=(pause,)), site(MILL, "MILL"))), installed())
    assert [(str(c.amount), c.part) for c in months(rated)] == [(amount, Decimal(part))]


def test_a_site_closed_for_the_whole_month_is_charged_nothing():
    pause = Standstill(SEPTEMBER, None, "none")
    rated = rate(inputs(sites=(site(HARBOUR, "HARBOUR", pauses=(pause,)), site(MILL, "MILL"))), installed())
    assert months(rated) == []


def test_a_moved_unit_is_charged_by_the_fixture_and_site_of_each_day():
    given = inputs(monthly("30"), monthly("60", fixture="water_closet"))
    rated = rate(
        given, installed("2026-09-01"), moved("2026-09-11", CLOSET), moved("2026-09-21", MILL_URINAL)
    )
    assert [(c.site_code, c.item_code, str(c.amount)) for c in months(rated)] == [
        ("HARBOUR", "month-urinal", "10.00"),
        ("MILL", "month-urinal", "10.00"),
        ("HARBOUR", "month-water_closet", "20.00"),
    ]


def test_the_parts_of_one_price_under_two_agreements_sum_to_the_whole_price():
    rated = rate(inputs(monthly("10")), installed("2026-09-01"), moved("2026-09-11", MILL_URINAL))
    assert sorted(amounts(rated)) == ["3.33", "6.67"]
    thirds = [installed(), moved("2026-09-06", MILL_URINAL), moved("2026-09-26", URINAL)]
    assert sum(c.amount for c in months(rate(inputs(monthly("10.01")), *thirds))) == Decimal("10.01")


def test_dates_are_those_of_the_site_and_not_of_utc():
    given = inputs(sites=(site(HARBOUR, "HARBOUR", zone="America/Los_Angeles"), site(MILL, "MILL")))
    rated = rate(
        given, installed("2026-09-22", time="06:30")
    )  # half past eleven on Monday night on the west coast
    assert [(c.starts_on, c.part) for c in months(rated)] == [(date(2026, 9, 21), 10)]


def test_no_day_is_charged_twice_when_a_unit_moves_westward_over_midnight():
    given = inputs(
        sites=(site(HARBOUR, "HARBOUR", zone="Pacific/Auckland"), site(MILL, "MILL", zone="Pacific/Honolulu"))
    )
    stays = walk(given, [installed("2026-09-10", time="13:00"), moved("2026-09-10", MILL_URINAL)])[1]
    assert [s.station.id for s in stays] == [URINAL]
    stays = walk(
        given,
        [
            installed("2026-09-09", time="13:00"),
            replace(moved("2026-09-10", MILL_URINAL), occurred_at=at("2026-09-10", "13:30")),
        ],
    )[1]
    assert [(s.starts_on, s.ends_before) for s in stays] == [(date(2026, 9, 10), None)]


def test_installing_costs_a_fee_once_on_the_day_it_was_done():
    rated = rate(inputs(INSTALL), installed("2026-09-14"))
    assert [(c.rule, c.service_on, str(c.amount)) for c in rated.charges] == [
        (Rule.INSTALL, date(2026, 9, 14), "45.00")
    ]


def test_work_is_priced_by_its_local_date():
    change = date(2026, 9, 15)
    wick = item(
        "wick",
        Basis.EVENT,
        version("w", "12", SEPTEMBER, change),
        version("w", "13", change),
        event_type="wick.changed",
    )
    late_evening = event("changed", "wick.changed", at("2026-09-14", "22:30"))  # half past midnight in Berlin
    rated = rate(inputs(wick), installed(), late_evening)
    assert [str(c.amount) for c in rated.charges] == ["13.00"]


def test_an_item_for_the_fixture_goes_before_one_for_any():
    dear = item("wick-urinal", Basis.EVENT, version("wu", "20"), fixture="urinal", event_type="wick.changed")
    work = event("changed", "wick.changed", at("2026-09-14"))
    assert [c.item_code for c in rate(inputs(WICK, dear), installed(), work).charges] == ["wick-urinal"]
    assert [c.item_code for c in rate(inputs(WICK, dear), installed(station=CLOSET), work).charges] == [
        "wick"
    ]


def test_a_visit_may_have_a_price_of_its_own():
    visit = item("visit", Basis.EVENT, version("visit", "20"), event_type="visit.made")
    made = event("visit", "visit.made", at("2026-09-14"), subject_id=uid("a visit"), site_id=HARBOUR)
    rated = rate_all(
        inputs(visit), Work(others={made.subject_id: [made]}), first_month=SEPTEMBER, open_from=OCTOBER
    )
    assert [(c.rule, c.site_code, str(c.amount)) for c in rated.charges] == [(Rule.EVENT, "HARBOUR", "20.00")]


def test_a_new_item_for_a_fixture_takes_over_at_its_first_price():
    anywhere = item("month", Basis.UNIT_MONTH, version("m", "30"))
    dearer = item("month-urinal", Basis.UNIT_MONTH, version("mu", "60", date(2026, 9, 16)), fixture="urinal")
    rated = rate(inputs(anywhere, dearer), installed())
    assert [(c.item_code, c.part, str(c.amount)) for c in months(rated)] == [
        ("month", 15, "15.00"),
        ("month-urinal", 15, "30.00"),
    ]


@pytest.mark.parametrize(("currency", "amount"), [("EUR", "10.35"), ("JPY", "10"), ("KWD", "10.345")])
def test_an_amount_has_the_minor_units_of_its_currency(currency, amount):
    rated = rate(inputs(monthly("31.035", currency=currency)), installed("2026-09-21"))
    assert amounts(rated) == [amount]


def test_rating_more_months_changes_nothing_in_the_earlier_ones():
    first = rate(inputs(), installed())
    later = rate(inputs(), installed(), open_from=DECEMBER)
    assert {c.key for c in first.charges} < {c.key for c in later.charges}
    assert [c.starts_on for c in months(later)] == [SEPTEMBER, OCTOBER, NOVEMBER]


def test_frozen_inputs_come_back_as_they_were():
    pause = Standstill(SEPTEMBER, None, "half")
    given = inputs(sites=(site(HARBOUR, "HARBOUR", pauses=(pause,), until=DECEMBER), site(MILL, "MILL")))
    assert thawed(frozen(given)) == given
