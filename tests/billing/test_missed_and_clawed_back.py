"""What the operator gives back for services it missed, and what a site that leaves early pays of a waived installation."""

from dataclasses import replace
from datetime import date

import pytest

from billing.rules.inputs import Agreement, Basis, DueDay, Standstill
from billing.rules.rating import Rule
from tests.billing.contracted import charged, fate, rated, terms, under_contract, visit
from tests.billing.plain import (
    CLOSET,
    HARBOUR,
    INSTALL,
    NOVEMBER,
    OCTOBER,
    URINAL,
    at,
    event,
    installed,
    item,
    monthly,
    uid,
    version,
    withdrawn,
)

FEE = item("fee", Basis.SITE_MONTH, version("fee", "38"))
DUE = (DueDay(date(2026, 9, 12), date(2026, 9, 7)),)
BY = terms("flat_site", credits_missed=True, make_good_days=5)


def unit(name, day="2026-08-01", station=URINAL):
    return replace(installed(day, station), subject_id=uid(name), event_id=uid(f"installed {name}"))


def exchanged(day, of):
    return event(f"exchanged {of} {day}", "cartridge.exchanged", at(day), subject_id=uid(of))


FOUR = [unit("a"), unit("b"), unit("c", station=CLOSET), unit("d", station=CLOSET)]
THREE_DONE = [exchanged("2026-09-10", of) for of in "abc"]


def given_back(result):
    return [(str(c.service_on), str(c.amount)) for c in result.charges if c.rule is Rule.MISSED_SERVICE]


def test_a_missed_service_gives_back_its_share_of_the_fee():
    # Fee x missed / planned = 38.00 x 1/4: common practice, no source.
    result = rated(under_contract(FEE, by=BY, due=DUE), *FOUR, *THREE_DONE)
    assert given_back(result) == [("2026-09-12", "-9.50")]
    workings = next(c.workings for c in result.charges if c.rule is Rule.MISSED_SERVICE)
    assert workings == {
        "due_on": "2026-09-12",
        "fee": "38.00",
        "made_good_until": "2026-09-17",
        "missed": 1,
        "planned": 4,
    }


@pytest.mark.parametrize(
    ("happening", "is_credited"),
    [
        (exchanged("2026-09-17", "d"), False),  # made good on the last day for it
        (exchanged("2026-09-18", "d"), True),
        (exchanged("2026-09-06", "d"), True),  # before the window of this due day opened
        (visit("v", at("2026-09-11"), "visit.not_admitted", reason="closed"), False),
        (visit("v", at("2026-09-14"), "visit.called_off", reason="customer"), False),
        (visit("v", at("2026-09-14"), "visit.called_off", reason="weather"), False),
        (visit("v", at("2026-09-14"), "visit.called_off", reason="operator"), True),
        (visit("v", at("2026-09-20"), "visit.not_admitted", reason="closed"), True),
        (replace(withdrawn("2026-09-15"), subject_id=uid("d")), False),
    ],
)
def test_only_what_the_operator_missed_and_did_not_make_good_is_credited(happening, is_credited):
    result = rated(under_contract(FEE, by=BY, due=DUE), *FOUR, *THREE_DONE, happening)
    assert bool(given_back(result)) == is_credited


def test_a_standstill_clears_the_operator():
    pause = Standstill(date(2026, 9, 15), date(2026, 9, 30), "full")
    given = under_contract(FEE, by=BY, due=DUE, pauses=(pause,))
    assert given_back(rated(given, *FOUR, *THREE_DONE)) == []


def test_a_unit_installed_since_the_window_opened_came_filled():
    result = rated(
        under_contract(FEE, by=BY, due=DUE), *FOUR[:3], *THREE_DONE, unit("d", "2026-09-08", CLOSET)
    )
    assert given_back(result) == []


def test_a_missed_service_is_decided_on_when_it_can_no_longer_be_made_good():
    due = (DueDay(date(2026, 9, 28), date(2026, 9, 23)),)
    given = under_contract(FEE, by=BY, due=due)
    assert given_back(rated(given, *FOUR)) == []
    in_october = rated(given, *FOUR, first=OCTOBER, open_from=NOVEMBER)
    assert given_back(in_october) == [("2026-09-28", "-38.00")]


def test_a_month_of_two_due_days_gives_no_more_than_its_fee_back():
    due = (DueDay(date(2026, 9, 4), date(2026, 8, 30)), *DUE)
    found = given_back(rated(under_contract(FEE, by=BY, due=due), *FOUR))
    assert found == [("2026-09-04", "-19.00"), ("2026-09-12", "-19.00")]


def test_terms_without_the_rule_give_nothing_back():
    assert given_back(rated(under_contract(FEE, by=terms("flat_site"), due=DUE), *FOUR)) == []


def test_the_fee_of_a_longer_interval_is_that_of_all_its_months():
    given = under_contract(FEE, by=BY, due=DUE)
    site = given.sites[HARBOUR]
    quarterly = replace(site.agreements[0], interval_months=3)
    assert isinstance(quarterly, Agreement)
    given = replace(given, sites={**given.sites, HARBOUR: replace(site, agreements=(quarterly,))})
    listed = replace(FEE, versions=(version("fee", "38", date(2026, 1, 1)),))
    result = rated(replace(given, items=(listed,)), *FOUR, *THREE_DONE)
    assert given_back(result) == [("2026-09-12", "-9.50")] * 3


def test_a_unit_that_was_missed_gives_its_own_month_back():
    by = terms("unit_month", credits_missed=True)
    result = rated(
        under_contract(monthly("21"), by=by, due=DUE), unit("a"), unit("b"), exchanged("2026-09-10", "a")
    )
    assert given_back(result) == [("2026-09-12", "-21.00")]


WAIVED = terms("flat_site", install_waived=True, claw_back_months=12)


@pytest.mark.parametrize(
    ("until", "amount"),
    [
        # 45.00 x months left / 12, from an installation on 10 March: common practice, no source.
        (date(2026, 9, 10), "22.50"),
        (date(2026, 9, 11), "22.50"),
        (date(2026, 9, 9), "26.25"),
        (date(2026, 9, 30), "22.50"),
    ],
)
def test_a_site_that_leaves_early_pays_the_months_left_of_a_waived_installation(until, amount):
    listed = replace(INSTALL, versions=(version("install", "45", date(2026, 1, 1)),))
    given = under_contract(listed, by=WAIVED, site_until=until)
    result = rated(given, unit("a", "2026-03-10"))
    assert fate(result, "installed a") == ("included", "in_fee")
    assert [(c[0], c[2]) for c in charged(result)] == [("claw_back", amount)]


@pytest.mark.parametrize("until", [None, date(2026, 10, 20), date(2027, 3, 10)])
def test_a_site_that_stays_pays_nothing(until):
    listed = replace(INSTALL, versions=(version("install", "45", date(2026, 1, 1)),))
    result = rated(under_contract(listed, by=WAIVED, site_until=until), unit("a", "2026-03-10"))
    assert charged(result) == []
