"""What visits cost under contracts: one a day, call-outs, and those that were not let in."""

from dataclasses import replace

import pytest

from billing.rules.inputs import Basis
from billing.rules.terms import Inclusion
from tests.billing.contracted import charged, fate, rated, terms, under_contract, visit
from tests.billing.plain import URINAL, at, event, installed, item, uid, version

FEE = item("fee", Basis.SITE_MONTH, version("fee", "90"))
VISIT = item("visit", Basis.VISIT, version("visit", "55"))
CALL = item("call", Basis.CALL_OUT, version("call", "48"))


def unit(name, day="2026-09-01", station=URINAL):
    return replace(installed(day, station), subject_id=uid(name), event_id=uid(f"installed {name}"))


def test_several_arrivals_on_a_day_are_one_visit():
    given = under_contract(VISIT, by=terms("per_visit"))
    result = rated(
        given,
        visit("first", at("2026-09-10", "08:00")),
        visit("again", at("2026-09-10", "15:00")),
        visit("later", at("2026-09-11", "08:00")),
    )
    assert charged(result) == [("visit", "2026-09-10", "55.00"), ("visit", "2026-09-11", "55.00")]
    assert fate(result, "again") == ("included", "same_visit")


def test_the_site_says_which_day_an_arrival_is_on():
    given = under_contract(VISIT, by=terms("per_visit"), zone="America/Los_Angeles")
    evening = visit("evening", at("2026-09-11", "05:00"))  # ten at night on the 10th on the west coast
    assert charged(rated(given, visit("noon", at("2026-09-10", "19:00")), evening)) == [
        ("visit", "2026-09-10", "55.00")
    ]


def test_visits_of_a_contract_can_be_included_by_number():
    by = terms("per_visit", inclusions=(Inclusion("visit.made", 2, "site", "month"),))
    days = ["2026-09-03", "2026-09-10", "2026-09-17"]
    result = rated(under_contract(VISIT, by=by), *(visit(day, at(day)) for day in days))
    assert charged(result) == [("visit", "2026-09-17", "55.00")]


def answering(name, day, kind="report.closed", of="unit", **more):
    return event(f"{name} answered", kind, at(day), subject_id=uid(of), visit_id=uid(name), **more)


@pytest.mark.parametrize(
    ("touches", "rules"),
    [
        ([], []),
        ([("report.closed", {})], ["call_out"]),
        ([("fault.found", {"mode": "PLU", "detection": "off_schedule"})], ["call_out"]),
        ([("fault.found", {"mode": "PLU", "detection": "visit_check"})], []),
        ([("report.closed", {}), ("cartridge.exchanged", {})], []),
    ],
)
def test_a_visit_that_answers_a_report_and_exchanges_nothing_is_a_call_out(touches, rules):
    given = under_contract(FEE, CALL, by=terms("flat_site"))
    events = [answering("came", "2026-09-10", kind, **more) for kind, more in touches]
    events = [replace(one, event_id=uid(f"touch {n}")) for n, one in enumerate(events)]
    result = rated(given, unit("unit", "2026-08-01"), visit("came", at("2026-09-10")), *events)
    assert [c[0] for c in charged(result) if c[0] != "site_month"] == rules


def test_closing_a_fault_that_a_report_had_brought_to_light_is_a_call_out():
    given = under_contract(CALL, by=terms("flat_site"))
    found = event(
        "fault", "fault.found", at("2026-09-05"), subject_id=uid("unit"), mode="LOO", detection="report"
    )
    closed = answering("came", "2026-09-10", "fault.closed", mode="LOO")
    result = rated(given, unit("unit", "2026-08-01"), found, visit("came", at("2026-09-10")), closed)
    assert [c[0] for c in charged(result)] == ["call_out"]


@pytest.mark.parametrize(
    ("mode", "more", "reason", "outcome", "amount"),
    [
        # Not admitted is billable with the reason of the event; weather is nobody's doing: common practice, no source.
        ("per_visit", {}, "closed", ("billed", ""), "55.00"),
        ("per_visit", {"not_admitted": "free"}, "closed", ("not_billable", "not_charged"), None),
        ("per_visit", {}, "weather", ("not_billable", "not_charged"), None),
        ("unit_service", {"visit_minimum": 38}, "closed", ("billed", ""), "38.00"),
        ("unit_service", {}, "closed", ("included", "in_fee"), None),
        ("flat_site", {}, "closed", ("included", "in_fee"), None),
    ],
)
def test_a_crew_that_was_not_let_in_costs_what_the_terms_say(mode, more, reason, outcome, amount):
    given = under_contract(VISIT, by=terms(mode, **more))
    refused = visit("refused", at("2026-09-10"), "visit.not_admitted", reason=reason)
    result = rated(given, refused)
    assert fate(result, "refused") == outcome
    assert [c[2] for c in charged(result)] == ([amount] if amount else [])


def test_a_crew_let_in_later_that_day_made_one_visit():
    given = under_contract(VISIT, by=terms("per_visit"))
    refused = visit("refused", at("2026-09-10", "08:00"), "visit.not_admitted", reason="closed")
    result = rated(given, refused, visit("made", at("2026-09-10", "14:00")))
    assert charged(result) == [("visit", "2026-09-10", "55.00")]
    assert fate(result, "refused") == ("included", "same_visit")
