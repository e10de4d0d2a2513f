"""Every event has exactly one disposition at a cut."""

from dataclasses import replace
from datetime import date

import pytest

from billing.rules.inputs import Basis
from servicing.events.types import EventType
from tests.billing.plain import (
    HARBOUR,
    MILL,
    OCTOBER,
    SEPTEMBER,
    UNIT,
    WICK,
    at,
    event,
    inputs,
    installed,
    item,
    rate_unit,
    site,
    uid,
    version,
    withdrawn,
)

CHANGED = event("changed", "wick.changed", at("2026-09-14"))


def fate(name, *happenings, given=None):
    rated = rate_unit(given or inputs(), UNIT, happenings, first_month=SEPTEMBER, open_from=OCTOBER)
    found = [d for d in rated.dispositions if d.event_id == uid(name)]
    keys = [c.key for c in rated.charges]
    assert len(found) == 1
    assert (found[0].charge_key in keys) == (found[0].outcome == "billed")
    return (str(found[0].outcome), str(found[0].reason))


def test_work_with_a_price_is_billed():
    assert fate("changed", installed(), CHANGED) == ("billed", "")


def test_work_without_a_price_item_is_included_in_the_agreement():
    assert fate("washed", installed(), event("washed", "wick.washed", at("2026-09-14"))) == (
        "included",
        "agreement",
    )


@pytest.mark.parametrize("kind", ["report.received", "alert.acknowledged", "fault.found"])
def test_what_only_informs_the_office_is_never_billable(kind):
    assert fate("told", installed(), event("told", kind, at("2026-09-14"))) == (
        "not_billable",
        "type_never_bills",
    )


def test_a_counter_event_is_not_billable_and_supersedes_the_work():
    gone = replace(CHANGED, standing="superseded", superseded_by=uid("counter"))
    counter = event("counter", "event.countered", at("2026-09-15"))
    assert fate("changed", installed(), gone, counter) == ("superseded", "")
    assert fate("counter", installed(), gone, counter) == ("not_billable", "counter_event")


def test_work_whose_clock_was_ahead_is_held():
    assert fate("changed", installed(), replace(CHANGED, standing="clock_ahead")) == ("held", "clock_ahead")


def test_work_on_a_unit_not_in_service_is_held():
    assert fate("changed", CHANGED) == ("held", "not_in_service")
    assert fate("changed", installed("2026-09-15"), CHANGED) == ("held", "not_in_service")
    assert fate("changed", installed(), withdrawn("2026-09-10"), CHANGED) == ("held", "not_in_service")


def test_a_second_installation_is_held_and_moves_the_unit():
    assert fate("installed 2026-09-08", installed(), installed("2026-09-08")) == ("held", "already_installed")


def test_work_at_a_station_nobody_knows_is_held():
    nowhere = installed(station=uid("nowhere"))
    assert fate("installed 2026-09-01", nowhere) == ("held", "unknown_station")
    assert fate("changed", nowhere, CHANGED) == ("held", "unknown_station")


def test_work_outside_the_agreement_is_held():
    ended = inputs(sites=(site(HARBOUR, "HARBOUR", until=date(2026, 9, 14)), site(MILL, "MILL")))
    assert fate("changed", installed(), CHANGED, given=ended) == ("held", "no_agreement")


def test_work_in_a_gap_of_its_prices_is_held_and_not_free():
    before, after = version("a", "12", SEPTEMBER, date(2026, 9, 10)), version("b", "12", date(2026, 9, 15))
    gap = item("wick", Basis.EVENT, before, after, event_type="wick.changed")
    assert fate("changed", installed(), CHANGED, given=inputs(gap)) == ("held", "no_price")


def test_an_item_is_not_there_before_its_first_price():
    first = item("install", Basis.INSTALL, version("install", "45"))
    later = item("wick", Basis.EVENT, version("wick", "12", date(2026, 9, 15)), event_type="wick.changed")
    assert fate("changed", installed(), CHANGED, given=inputs(first, later)) == ("included", "agreement")


def test_work_from_before_the_first_price_is_not_billable():
    assert fate("installed 2026-08-20", installed("2026-08-20"), given=inputs(WICK)) == (
        "not_billable",
        "before_prices",
    )


def test_work_of_a_month_still_open_waits_for_its_own_close():
    early = event("october", "wick.changed", at("2026-10-01"))
    assert fate("october", installed(), early) == ("held", "month_open")


@pytest.mark.parametrize("kind", list(EventType))
def test_every_type_of_the_log_has_a_disposition(kind):
    outcome, reason = fate("any", installed(), event("any", kind, at("2026-09-14")))
    assert outcome in {"billed", "included", "not_billable", "held"}
    assert (reason == "") == (outcome == "billed")
