"""Closing months under contracts: fees without a visit, what waits, what was billed ahead, and the check of it all."""

from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest

from accounts.errors import Conflict
from billing.commands import contracts, parties, prices
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.prices import IndexClause, NewPriceItem
from billing.commands.terms import NewTerms
from billing.models import CloseInputs
from billing.projections import adding
from billing.queries import closes
from billing.rules.documents import decimal_text
from tests.billing.books import APRIL, JULY, JUNE, MAY, close, list_prices, on

NEW_ITEMS = [
    NewPriceItem("fee", "Flat fee of a site", "site_month", Decimal(90), APRIL),
    NewPriceItem("extra", "Unit beyond the base", "extra_unit", Decimal(20), APRIL),
    NewPriceItem("visit", "Visit", "visit", Decimal(55), APRIL),
    NewPriceItem("call", "Call-out", "call_out", Decimal(48), APRIL),
    NewPriceItem("x", "Exchange", "event", Decimal("9.50"), APRIL, event_type="cartridge.exchanged"),
]


def agree(cast, mode, since=APRIL, *, number="K-1", **terms):
    """The standing site under a contract from a day on, at the list's prices."""
    contracts.add_contract(
        actor=cast.owner,
        new=NewContract(
            number,
            cast.customer.id,
            since,
            sites=[NewContractSite(cast.site.id)],
            terms=NewTerms(mode=mode, **terms),
        ),
    )


def books(cast):
    list_prices(cast)
    prices.add_price_items(actor=cast.owner, items=NEW_ITEMS)


def lines(cast, month):
    """Kind, rule, the period's first day, and the amount of each charge row that a month's close made."""
    with cast.reading():
        rows = closes.charges().filter(close__month=month)
        return sorted((r.kind, r.rule, str(r.starts_on), decimal_text(r.amount)) for r in rows)


def sound(cast):
    return adding.check(cast.operator.id)


def test_a_flat_fee_is_billed_month_by_month_without_any_unit(north):
    books(north)
    agree(north, "flat_site", date(2026, 4, 16))
    close(north, APRIL)
    close(north, MAY)
    assert lines(north, APRIL) == [("regular", "site_month", "2026-04-16", "45")]
    assert lines(north, MAY) == [("regular", "site_month", "2026-05-01", "90")]
    assert sound(north) == []


def test_what_each_part_read_is_stored_with_its_digest(north):
    books(north)
    agree(north, "flat_site")
    closed = close(north, APRIL)
    with north.reading():
        part = CloseInputs.objects.get(close=closed)
    assert part.inputs["contracts"][0]["number"] == "K-1"
    assert [site["code"] for site in part.inputs["sites"]] == ["S1"]
    assert "sites" not in closed.inputs


def test_a_quarter_in_advance_is_given_back_when_the_site_leaves_in_it(north):
    books(north)
    agree(north, "flat_site", cycle_months=3, in_advance=True)
    close(north, APRIL)
    assert lines(north, APRIL) == [
        ("regular", "site_month", "2026-04-01", "90"),
        ("regular", "site_month", "2026-05-01", "90"),
        ("regular", "site_month", "2026-06-01", "90"),
    ]
    contracts.end_contract_site(
        actor=north.owner, contract_number="K-1", site_id=north.site.id, ends_before=date(2026, 6, 11)
    )
    close(north, MAY)
    assert lines(north, MAY) == [("credit", "site_month", "2026-06-01", "-60")]
    close(north, JUNE)
    assert lines(north, JUNE) == []
    assert sound(north) == []


def test_units_beyond_the_base_follow_what_hangs_even_when_it_is_told_late(north):
    books(north)
    agree(north, "base_plus", base_units=1)
    north.upload(north.installed(at=on(4, 1)), north.installed(north.units[1], on(4, 16), station=1))
    close(north, APRIL)
    assert ("regular", "extra_unit", "2026-04-16", "10") in lines(north, APRIL)
    north.upload(north.installed(north.units[2], on(4, 1), station=2))
    close(north, MAY)
    assert lines(north, MAY) == [
        ("late", "extra_unit", "2026-04-01", "20"),
        ("late", "install", "2026-04-01", "45"),
        ("regular", "extra_unit", "2026-05-01", "40"),
        ("regular", "site_month", "2026-05-01", "90"),
    ]
    assert sound(north) == []


def test_included_work_is_counted_over_months(north):
    books(north)
    agree(
        north,
        "flat_site",
        inclusions=[{"event_type": "wick.changed", "count": 1, "per": "unit", "every": "year"}],
    )
    north.upload(
        north.installed(at=on(4, 1)),
        north.event("wick.changed", north.unit, on(4, 10), reason="age"),
        north.event("wick.changed", north.unit, on(5, 10), reason="slow"),
    )
    close(north, APRIL)
    close(north, MAY)
    assert ("regular", "event", "2026-05-01", "12.5") in lines(north, MAY)
    earlier = north.event("wick.changed", north.unit, on(4, 5), reason="age")
    north.upload(earlier)
    close(north, JUNE)
    # The earlier one takes the included place, so the one of 10 April is charged now.
    assert ("late", "event", "2026-04-01", "12.5") in lines(north, JUNE)
    assert sound(north) == []


def test_a_visits_minimum_follows_late_and_countered_work(north):
    books(north)
    agree(north, "unit_service", visit_minimum=Decimal(38))
    first = north.exchanged(at=on(4, 20))
    north.upload(north.installed(at=on(3, 1)), north.installed(north.units[1], on(3, 1), station=1), first)
    close(north, APRIL)
    assert lines(north, APRIL) == [
        ("regular", "event", "2026-04-01", "9.5"),
        ("regular", "visit_minimum", "2026-04-01", "28.5"),
    ]
    north.upload(north.exchanged(north.units[1], on(4, 20, 11)))
    close(north, MAY)
    assert lines(north, MAY) == [
        ("credit", "visit_minimum", "2026-04-01", "-9.5"),
        ("late", "event", "2026-04-01", "9.5"),
    ]
    north.upload(
        north.event("event.countered", north.unit, on(6, 4), corrects=first["id"], reason="not_done")
    )
    close(north, JUNE)
    assert lines(north, JUNE) == [
        ("credit", "event", "2026-04-01", "-9.5"),
        ("late", "visit_minimum", "2026-04-01", "9.5"),
    ]
    assert sound(north) == []


def test_a_service_missed_at_a_months_end_is_credited_with_the_next_and_taken_back_if_it_was_done(north):
    books(north)
    agree(north, "flat_site", credits_missed=True, make_good_days=25)
    north.upload(north.installed(at=on(3, 1)))
    close(north, APRIL)
    close(north, MAY)
    # Due on 10 April and not made good by 5 May.
    assert ("credit", "missed_service", "2026-04-01", "-90") in lines(north, MAY)
    north.upload(north.exchanged(at=on(4, 12)))
    close(north, JUNE)
    assert ("late", "missed_service", "2026-04-01", "90") in lines(north, JUNE)
    assert sound(north) == []


def test_a_waived_installation_is_paid_for_when_the_site_leaves_early(north):
    books(north)
    agree(north, "flat_site", install_waived=True, claw_back_months=9)
    north.upload(north.installed(at=on(4, 10)))
    close(north, APRIL)
    contracts.end_contract_site(
        actor=north.owner, contract_number="K-1", site_id=north.site.id, ends_before=date(2026, 6, 1)
    )
    close(north, MAY)
    assert ("regular", "claw_back", "2026-05-01", "40") in lines(north, MAY)  # 45 x 8/9
    work = north.event("wick.changed", north.unit, on(6, 10), reason="age")
    north.upload(work)
    close(north, JUNE)
    assert lines(north, JUNE) == []
    with north.reading():
        assert [d.reason for d in closes.held_dispositions()] == ["contract_ended"]
    assert sound(north) == []


def test_a_missing_index_figure_refuses_the_close_until_it_is_entered_or_left(north):
    books(north)
    agree(north, "flat_site")
    close(north, APRIL)
    prices.set_price(
        actor=north.owner,
        item_code="fee",
        amount=None,
        effective_from=MAY,
        contract_number="K-1",
        index=IndexClause("CPI", date(2025, 1, 1), date(2026, 4, 1), prior_amount=Decimal(90)),
    )
    prices.record_index_figure(actor=north.owner, code="CPI", month=date(2025, 1, 1), value=Decimal(100))
    with pytest.raises(Conflict, match="waits for the figure of its index"):
        close(north, MAY)
    with north.reading():
        assert closes.last_close().month == APRIL
    closed = close(north, MAY, leave_held=True)
    assert [(one["reason"], one["item"], one["site_code"]) for one in closed.held] == [
        ("index_missing", "fee", "S1")
    ]
    prices.record_index_figure(actor=north.owner, code="CPI", month=date(2026, 4, 1), value=Decimal(110))
    close(north, JUNE)
    assert lines(north, JUNE) == [
        ("late", "site_month", "2026-05-01", "99"),
        ("regular", "site_month", "2026-06-01", "99"),
    ]
    assert sound(north) == []


def test_a_missing_purchase_order_holds_the_charges_until_it_is_there(north):
    books(north)
    agree(north, "flat_site")
    parties.set_profile(actor=north.owner, customer_id=north.customer.id, values={"po_required": True})
    with pytest.raises(Conflict, match="purchase order"):
        close(north, APRIL)
    closed = close(north, APRIL, leave_held=True)
    assert [one["reason"] for one in closed.held] == ["no_order"]
    with north.reading():
        assert closes.open_charges().count() == 1
    parties.add_purchase_orders(
        actor=north.owner,
        orders=[{"customer_id": north.customer.id, "number": "PO-7", "starts_on": APRIL}],
    )
    close(north, MAY)
    with north.reading():
        assert closes.open_charges().count() == 0
    assert sound(north) == []


def test_visits_and_call_outs_over_months_check_out(north):
    books(north)
    agree(north, "per_visit")
    regular, called, again = uuid4(), uuid4(), uuid4()
    north.upload(
        north.installed(at=on(3, 1)),
        north.exchanged(at=on(4, 10), visit=regular),
        north.event("visit.made", regular, on(4, 10, 11), site_id=north.site.id, outcome="served"),
        north.event("fault.found", north.unit, on(4, 20), mode="LOO", detection="report"),
    )
    close(north, APRIL)
    north.upload(
        north.event("fault.closed", north.unit, on(5, 4), visit=called, mode="LOO", action="adjusted"),
        north.event("visit.made", called, on(5, 4, 11), site_id=north.site.id, outcome="served"),
        north.event("visit.made", again, on(5, 4, 15), site_id=north.site.id, outcome="served"),
    )
    close(north, MAY)
    assert lines(north, APRIL) == [("regular", "visit", "2026-04-01", "55")]
    assert lines(north, MAY) == [("regular", "call_out", "2026-05-01", "48")]
    assert sound(north) == []


def test_a_close_says_how_far_it_is(north):
    books(north)
    agree(north, "flat_site")
    steps = []
    close(north, APRIL, progress=lambda done, of: steps.append((done, of)))
    assert steps == [(1, 2), (2, 2)]


def test_units_billed_in_advance_are_put_right_by_what_happened(north):
    books(north)
    agree(north, "unit_month", cycle_months=3, in_advance=True)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    north.upload(north.event("unit.withdrawn", north.unit, on(5, 17), reason="other"))
    north.upload(north.installed(north.units[1], on(5, 17), station=1))
    close(north, MAY)
    assert lines(north, MAY) == [
        ("credit", "unit_month", "2026-05-01", "-14.52"),
        ("credit", "unit_month", "2026-06-01", "-30"),
        ("regular", "install", "2026-05-01", "45"),
        ("regular", "unit_month", "2026-05-17", "14.52"),
        ("regular", "unit_month", "2026-06-01", "30"),
    ]
    close(north, JUNE)
    assert [line[2] for line in lines(north, JUNE)] == ["2026-07-01", "2026-08-01", "2026-09-01"]
    close(north, JULY)
    assert sound(north) == []
