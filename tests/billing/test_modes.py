"""What contracts charge: by the unit's month, its service, the site's month with or without a base, or the visit."""

from dataclasses import replace
from datetime import date

import pytest

from billing.rules.freezing import frozen, frozen_part, frozen_shared, thawed
from billing.rules.inputs import Basis, Standstill
from billing.rules.rating import Rule
from billing.rules.terms import Inclusion, Proration
from tests.billing.contracted import charged, fate, own, rated, terms, under_contract
from tests.billing.plain import (
    CLOSET,
    DECEMBER,
    HARBOUR,
    NOVEMBER,
    OCTOBER,
    SEPTEMBER,
    URINAL,
    WICK,
    at,
    event,
    installed,
    item,
    monthly,
    uid,
    version,
    withdrawn,
)

FEE = item("fee", Basis.SITE_MONTH, version("fee", "90"))
EXTRA = item("extra", Basis.EXTRA_UNIT, version("extra", "30"))
EXCHANGE = item("exchange", Basis.EVENT, version("exchange", "9.50"), event_type="cartridge.exchanged")


def unit(name, day="2026-09-01", station=URINAL):
    return replace(installed(day, station), subject_id=uid(name), event_id=uid(f"installed {name}"))


def exchanged(name, day, of="unit", when="10:00", **more):
    return event(name, "cartridge.exchanged", at(day, when), subject_id=uid(of), **more)


def wick(name, day, of="unit"):
    return event(name, "wick.changed", at(day), subject_id=uid(of))


def test_a_flat_fee_is_charged_with_and_without_a_visit():
    # Common practice, no source.
    given = under_contract(FEE, EXCHANGE, by=terms("flat_site"))
    assert charged(rated(given)) == [("site_month", "2026-09-01", "90.00")]
    result = rated(given, unit("unit", "2026-08-01"), exchanged("done", "2026-09-10"))
    assert charged(result) == [("site_month", "2026-09-01", "90.00")]
    assert fate(result, "done") == ("included", "in_fee")


def test_a_flat_fee_is_split_where_its_price_changes():
    change = date(2026, 9, 11)
    fee = item(
        "fee", Basis.SITE_MONTH, version("fee", "90", SEPTEMBER, change), version("fee", "120", change)
    )
    # 90 x 10/30 and 120 x 20/30: common practice, no source.
    assert charged(rated(under_contract(fee, by=terms("flat_site")))) == [
        ("site_month", "2026-09-01", "30.00"),
        ("site_month", "2026-09-11", "80.00"),
    ]


@pytest.mark.parametrize(
    ("proration", "since", "until", "amount"),
    [
        # Of a September of 30 days and a fee of 90: common practice, no source.
        ("by_days", date(2026, 9, 11), None, "60.00"),
        ("by_days", date(2026, 1, 1), date(2026, 9, 11), "30.00"),
        ("thirty_360", date(2026, 9, 11), None, "60.00"),
        ("first_free", date(2026, 9, 11), None, None),
        ("first_free", date(2026, 9, 1), None, "90.00"),
        ("first_free", date(2026, 1, 1), date(2026, 9, 11), "30.00"),
        ("first_full", date(2026, 9, 11), None, "90.00"),
        ("first_full", date(2026, 1, 1), date(2026, 9, 11), "90.00"),
    ],
)
def test_a_part_of_a_month_costs_what_the_terms_say(proration, since, until, amount):
    by = terms("flat_site", proration=Proration(proration))
    found = charged(rated(under_contract(FEE, by=by, since=since, until=until)))
    assert [one[2] for one in found] == ([amount] if amount else [])


@pytest.mark.parametrize(
    ("month", "parts"),
    [
        # The 31st counts with the 30th, and the last of February makes up what the month lacks of thirty.
        (date(2027, 1, 1), ["30.00", "60.00"]),
        (date(2027, 2, 1), ["30.00", "60.00"]),
    ],
)
def test_a_month_of_thirty_days_is_whole_whatever_the_calendar_says(month, parts):
    change = month.replace(day=11)
    fee = item("fee", Basis.SITE_MONTH, version("a", "90", SEPTEMBER, change), version("b", "90", change))
    by = terms("flat_site", proration=Proration.THIRTY_360)
    end = date(month.year, month.month + 1, 1)
    found = charged(rated(under_contract(fee, by=by), first=month, open_from=end))
    assert [one[2] for one in found] == parts


def test_standstill_days_cost_what_the_standstill_says_of_a_flat_fee_too():
    pause = Standstill(date(2026, 9, 11), date(2026, 9, 20), "half")
    assert charged(rated(under_contract(FEE, by=terms("flat_site"), pauses=(pause,)))) == [
        ("site_month", "2026-09-01", "75.00")
    ]


def test_units_beyond_the_base_are_charged_by_their_days():
    given = under_contract(FEE, EXTRA, by=terms("base_plus", base_units=2))
    units = [unit("a"), unit("b"), unit("c", "2026-09-11", CLOSET), unit("d", "2026-09-21", CLOSET)]
    result = rated(given, *units)
    # Ten days of one unit and ten of two beyond the base: 30 of 30 unit-days at 30.00; common practice, no source.
    assert charged(result) == [
        ("site_month", "2026-09-01", "90.00"),
        ("extra_unit", "2026-09-11", "30.00"),
    ]
    assert next(c.part for c in result.charges if c.rule is Rule.EXTRA_UNIT) == 30


def test_fewer_units_than_the_base_cost_the_base():
    given = under_contract(FEE, EXTRA, by=terms("base_plus", base_units=5))
    assert charged(rated(given, unit("a"), unit("b"))) == [("site_month", "2026-09-01", "90.00")]


def test_each_service_of_a_unit_is_charged_where_the_contract_says_so():
    given = under_contract(EXCHANGE, monthly(), by=terms("unit_service"))
    result = rated(given, unit("unit", "2026-08-01"), exchanged("done", "2026-09-10"))
    assert charged(result) == [("event", "2026-09-10", "9.50")]
    assert {c.clause for c in result.charges} == {"contract:unit_service"}


def test_a_service_without_any_price_is_held_and_not_free():
    given = under_contract(monthly(), by=terms("unit_service"))
    result = rated(given, unit("unit", "2026-08-01"), exchanged("done", "2026-09-10"))
    assert fate(result, "done") == ("held", "no_price")


def test_a_unit_month_under_contract_has_the_contracts_price():
    given = under_contract(
        replace(monthly(), versions=(*monthly().versions, own("month", "21"))), by=terms("unit_month")
    )
    assert charged(rated(given, unit("unit"))) == [("unit_month", "2026-09-01", "21.00")]


def test_a_sites_own_price_goes_before_its_contracts_and_that_before_the_lists():
    listed = FEE.versions
    by = terms("flat_site")
    for versions, amount in (
        (listed, "90.00"),
        ((*listed, own("fee", "80")), "80.00"),
        ((*listed, own("fee", "80"), own("fee", "70", at=HARBOUR)), "70.00"),
    ):
        given = under_contract(replace(FEE, versions=versions), by=by)
        assert [c[2] for c in charged(rated(given))] == [amount]


@pytest.mark.parametrize(
    ("exchanges", "topped"),
    [
        # max(sum of the day's lines, minimum), as a line of its own: common practice, no source.
        (1, [("event", "2026-09-10", "9.50"), ("visit_minimum", "2026-09-10", "28.50")]),
        (4, [("event", "2026-09-10", "9.50")] * 4),
        (5, [("event", "2026-09-10", "9.50")] * 5),
    ],
)
def test_a_visit_is_topped_up_to_its_minimum(exchanges, topped):
    given = under_contract(EXCHANGE, by=terms("unit_service", visit_minimum=38))
    units = [unit(f"u{n}", "2026-08-01") for n in range(exchanges)]
    work = [exchanged(f"x{n}", "2026-09-10", f"u{n}") for n in range(exchanges)]
    assert charged(rated(given, *units, *work)) == topped


def test_the_top_up_says_what_it_was_made_of():
    given = under_contract(EXCHANGE, by=terms("unit_service", visit_minimum=38))
    result = rated(given, unit("unit", "2026-08-01"), exchanged("done", "2026-09-10"))
    top_up = next(c for c in result.charges if c.rule is Rule.VISIT_MINIMUM)
    assert (top_up.workings, top_up.clause) == ({"lines": "9.50", "minimum": "38.00"}, "visit_minimum")


def test_what_the_contract_includes_is_counted_by_unit_and_contract_year():
    # One wick a year included, further ones billable: common practice, no source.
    given = under_contract(
        replace(WICK, versions=(version("wick", "12.50", date(2026, 1, 1)),)),
        by=terms("flat_site", inclusions=(Inclusion("wick.changed", 1, "unit", "year"),)),
        since=date(2026, 3, 15),
    )
    result = rated(
        given,
        unit("unit", "2026-04-01"),
        unit("other", "2026-04-01", CLOSET),
        wick("first", "2026-05-01"),
        wick("second", "2026-09-01"),
        wick("of the other", "2026-09-02", "other"),
        wick("next year", "2027-03-15"),
        first=date(2026, 3, 1),
        open_from=date(2027, 4, 1),
    )
    by_event = {d.event_id: d for d in result.dispositions}
    assert fate(result, "first") == ("included", "inclusion")
    assert by_event[uid("first")].counter == "1 of 1 from 2026-03-15"
    assert by_event[uid("first")].clause == "inclusion:wick.changed"
    assert fate(result, "second") == ("billed", "")
    assert fate(result, "of the other") == ("included", "inclusion")
    assert by_event[uid("next year")].counter == "1 of 1 from 2027-03-15"


def test_an_earlier_event_takes_the_included_place_however_late_it_comes():
    given = under_contract(
        WICK, by=terms("flat_site", inclusions=(Inclusion("wick.changed", 1, "site", "month"),))
    )
    events = [unit("unit", "2026-08-01"), wick("fourth", "2026-09-04"), wick("second", "2026-09-02")]
    for order in (events, events[::-1]):
        result = rated(given, *order)
        assert fate(result, "second") == ("included", "inclusion")
        assert fate(result, "fourth") == ("billed", "")


def test_work_after_the_contracts_end_is_held_and_not_billed_by_the_list():
    given = under_contract(EXCHANGE, monthly(), by=terms("flat_site"), until=date(2026, 9, 10))
    result = rated(given, unit("unit", "2026-08-01"), exchanged("after", "2026-09-10"))
    assert fate(result, "after") == ("held", "contract_ended")
    assert (charged(result), result.days_without_agreement) == ([], 21)


def test_a_site_is_billed_by_the_list_until_its_contract_begins():
    given = under_contract(FEE, monthly(), by=terms("flat_site"), since=date(2026, 9, 16))
    assert charged(rated(given, unit("unit"))) == [
        ("unit_month", "2026-09-01", "15.00"),
        ("site_month", "2026-09-16", "45.00"),
    ]


def test_a_price_that_waits_for_its_index_holds_the_charge():
    fee = replace(FEE, versions=(own("fee", None),))
    exchange = replace(EXCHANGE, versions=(own("exchange", None),))
    result = rated(under_contract(fee, by=terms("flat_site")))
    assert (result.charges, [(h.reason, h.item_code) for h in result.held]) == (
        [],
        [("index_missing", "fee")],
    )
    given = under_contract(exchange, by=terms("unit_service"))
    result = rated(given, unit("unit", "2026-08-01"), exchanged("done", "2026-09-10"))
    assert fate(result, "done") == ("held", "index_missing")
    assert [h.event_id for h in result.held] == [uid("done")]


def test_new_terms_hold_from_their_day():
    both = (terms("flat_site"), terms("unit_service", effective_from=date(2026, 9, 16)))
    result = rated(
        under_contract(FEE, EXCHANGE, by=both),
        unit("unit", "2026-08-01"),
        exchanged("before", "2026-09-15"),
        exchanged("since", "2026-09-16"),
    )
    assert charged(result) == [("site_month", "2026-09-01", "45.00"), ("event", "2026-09-16", "9.50")]


@pytest.mark.parametrize(
    ("cycle", "in_advance", "open_from", "months"),
    [
        # The contract began in September, so cycles do too.
        (1, False, OCTOBER, ["2026-09"]),
        (3, False, OCTOBER, []),
        (3, False, DECEMBER, ["2026-09", "2026-10", "2026-11"]),
        (1, True, OCTOBER, ["2026-09", "2026-10"]),
        (3, True, OCTOBER, ["2026-09", "2026-10", "2026-11"]),
        (3, True, NOVEMBER, ["2026-09", "2026-10", "2026-11"]),
        (3, True, DECEMBER, ["2026-09", "2026-10", "2026-11", "2026-12", "2027-01", "2027-02"]),
        (12, True, OCTOBER, [f"2026-{n:02d}" for n in range(9, 13)] + [f"2027-{n:02d}" for n in range(1, 9)]),
    ],
)
def test_a_cycle_is_billed_with_its_last_month_or_in_advance(cycle, in_advance, open_from, months):
    by = terms("flat_site", cycle_months=cycle, in_advance=in_advance)
    result = rated(under_contract(FEE, by=by, since=SEPTEMBER), open_from=open_from)
    assert [str(c.starts_on)[:7] for c in result.charges] == months
    assert all(c.in_advance == (c.starts_on >= open_from) for c in result.charges)


def test_what_is_left_of_a_cycle_is_billed_when_the_contract_ends():
    by = terms("flat_site", cycle_months=6)
    result = rated(under_contract(FEE, by=by, since=SEPTEMBER, until=date(2026, 10, 11)), open_from=NOVEMBER)
    assert [str(c.amount) for c in result.charges] == ["90.00", "29.03"]  # 90 x 10/31


def test_units_are_billed_in_advance_as_they_hang():
    by = terms("unit_month", cycle_months=3, in_advance=True)
    given = under_contract(monthly(), by=by, since=SEPTEMBER)
    result = rated(given, unit("unit", "2026-09-16"), open_from=OCTOBER)
    by_month = sorted(result.charges, key=lambda charge: charge.starts_on)
    assert [(str(c.amount), c.in_advance) for c in by_month] == [
        ("15.00", False),
        ("30.00", True),
        ("30.00", True),
    ]
    gone = replace(withdrawn("2026-10-16"), subject_id=uid("unit"))
    result = rated(given, unit("unit", "2026-09-16"), gone, open_from=NOVEMBER)
    assert sorted(str(c.amount) for c in result.charges) == ["14.52", "15.00"]  # 30 x 15/31


def test_frozen_inputs_with_contracts_come_back_as_they_were():
    given = under_contract(
        replace(FEE, versions=(*FEE.versions, own("fee", "80"))),
        by=terms("flat_site", inclusions=(Inclusion("wick.changed", 1, "unit", "year"),), visit_minimum=None),
    )
    assert thawed(frozen(given)) == given
    import orjson

    assert thawed({**frozen_shared(given), **orjson.loads(frozen_part(given, {}))}) == given
