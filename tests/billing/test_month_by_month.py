"""Whatever the terms: rating only a month gives what rating everything from the beginning adds to the month before."""

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from billing.projections.reading import besides
from billing.rules.inputs import Basis, DueDay, Standstill
from billing.rules.invoicing import differences
from billing.rules.months import month_after
from billing.rules.rating import Work, rate
from billing.rules.terms import Inclusion, Proration
from tests.billing.contracted import terms, under_contract
from tests.billing.plain import (
    CLOSET,
    HARBOUR,
    INSTALL,
    MILL,
    MILL_URINAL,
    NOVEMBER,
    OCTOBER,
    SEPTEMBER,
    URINAL,
    WICK,
    at,
    event,
    item,
    monthly,
    uid,
    version,
)

DECEMBER = date(2026, 12, 1)
ITEMS = (
    monthly("31.005"),
    monthly("20", fixture="water_closet"),
    WICK,
    INSTALL,
    item(
        "fee",
        Basis.SITE_MONTH,
        version("f", "90", SEPTEMBER, date(2026, 10, 17)),
        version("g", "93", date(2026, 10, 17)),
    ),
    item("extra", Basis.EXTRA_UNIT, version("extra", "12.345")),
    item("x", Basis.EVENT, version("x", "9.50"), event_type="cartridge.exchanged"),
    item("visit", Basis.VISIT, version("visit", "55")),
    item("call", Basis.CALL_OUT, version("call", "48")),
)
DAYS = st.dates(SEPTEMBER, date(2026, 11, 30))
UNITS = [uid("unit 1"), uid("unit 2")]
DUE = tuple(
    DueDay(day, day - timedelta(days=5))
    for day in (date(2026, 9, 12), date(2026, 10, 12), date(2026, 11, 12))
)


@st.composite
def agreed(draw):
    """A contract of one of many kinds over the harbour."""
    by = terms(
        draw(st.sampled_from(["unit_month", "unit_service", "flat_site", "base_plus", "per_visit"])),
        cycle_months=draw(st.sampled_from([1, 3, 6])),
        in_advance=draw(st.booleans()),
        proration=draw(st.sampled_from(list(Proration))),
        base_units=draw(st.integers(0, 1)),
        visit_minimum=draw(st.sampled_from([None, Decimal(38)])),
        inclusions=draw(
            st.sampled_from(
                [
                    (),
                    (
                        Inclusion("wick.changed", 1, "unit", "year"),
                        Inclusion("visit.made", 2, "site", "month"),
                    ),
                    (Inclusion("cartridge.exchanged", 2, "site", "year"),),
                ]
            )
        ),
        install_waived=draw(st.booleans()),
        claw_back_months=6,
        credits_missed=draw(st.booleans()),
        make_good_days=draw(st.sampled_from([5, 25])),
    )
    pauses = draw(st.sampled_from([(), (Standstill(date(2026, 10, 5), date(2026, 10, 11), "half"),)]))
    since = draw(st.sampled_from([date(2026, 1, 1), date(2026, 8, 20), date(2026, 9, 16)]))
    until = draw(st.sampled_from([None, None, date(2026, 10, 21), date(2026, 12, 1)]))
    given_inputs = under_contract(*ITEMS, by=by, since=since, until=until, due=DUE, pauses=pauses)
    return replace(given_inputs, units={unit: unit.hex[:9] for unit in UNITS})


@st.composite
def histories(draw):
    kinds = [
        "unit.installed",
        "unit.moved",
        "unit.withdrawn",
        "wick.changed",
        "cartridge.exchanged",
        "fault.found",
    ]
    kinds += ["fault.closed", "visit.made", "visit.not_admitted", "visit.called_off"]
    steps = draw(
        st.lists(
            st.tuples(
                DAYS,
                st.sampled_from(kinds),
                st.sampled_from(UNITS),
                st.sampled_from([URINAL, CLOSET, MILL_URINAL]),
            ),
            max_size=14,
        )
    )
    return [_step(n, *step) for n, step in enumerate(steps)]


def _step(n, day, kind, unit, station):
    more = {"sequence": n + 1, "subject_id": unit}
    if kind.startswith("visit."):
        more |= {"subject_id": uid(f"visit {day}"), "site_id": HARBOUR, "reason": "closed"}
    elif kind in {"unit.installed", "unit.moved"}:
        more["station_id"] = station
    else:
        more |= {"visit_id": uid(f"visit {day}"), "mode": "LOO", "detection": "report"}
    return event(f"step {n}", kind, at(str(day), f"{8 + n % 10:02d}:00"), **more)


def work_of(events):
    work = Work(sites={HARBOUR, MILL})
    for one in events:
        group = work.others if one.type.startswith("visit.") else work.units
        group.setdefault(one.subject_id, []).append(one)
    return work


def of_all_months(given_inputs, events, open_from):
    return rate(given_inputs, work_of(events), first_month=date(2026, 8, 1), open_from=open_from)


@settings(deadline=None, max_examples=150)
@given(history=histories(), given_inputs=agreed())
def test_a_month_by_itself_adds_what_rating_everything_does(history, given_inputs):
    before = of_all_months(given_inputs, history, SEPTEMBER)
    charged = {c.key: c for c in before.charges}
    for month in (SEPTEMBER, OCTOBER, NOVEMBER):
        end = month_after(month)
        whole = of_all_months(given_inputs, history, end)
        fresh = {d.event_id for d in whole.dispositions if d.reason != "month_open"}
        fresh -= {d.event_id for d in before.dispositions if d.reason != "month_open"}
        fresh |= {d.event_id for d in whole.dispositions if d.reason == "month_open"}
        known = [h for h in history if h.event_id in fresh or h.type in besides(given_inputs)]
        alone = rate(given_inputs, work_of(known), first_month=month, open_from=end, only=fresh)

        ahead = {key: c for key, c in charged.items() if c.in_advance and c.starts_on >= month}
        added = differences(alone.charges, ahead, month)
        expected = differences(whole.charges, charged, month)
        assert Counter((x.charge.key, x.kind, x.charge.amount) for x in added) == Counter(
            (x.charge.key, x.kind, x.charge.amount) for x in expected
        )
        now = {d.event_id: d for d in whole.dispositions if d.event_id in fresh}
        assert {d.event_id: d for d in alone.dispositions} == now
        assert alone.days_without_price == whole.days_without_price
        before, charged = whole, {c.key: c for c in whole.charges}


@settings(deadline=None, max_examples=100)
@given(history=histories(), given_inputs=agreed(), data=st.data())
def test_under_any_terms_the_order_of_arrival_changes_nothing(history, given_inputs, data):
    shuffled = data.draw(st.permutations(history))
    one, other = (of_all_months(given_inputs, h, DECEMBER) for h in (history, shuffled))
    assert sorted(one.charges, key=lambda c: c.key) == sorted(other.charges, key=lambda c: c.key)
    assert one.dispositions == other.dispositions


@settings(deadline=None, max_examples=100)
@given(history=histories(), given_inputs=agreed())
def test_under_any_terms_each_event_has_one_disposition_and_each_key_one_charge(history, given_inputs):
    result = of_all_months(given_inputs, history, DECEMBER)
    assert sorted(d.event_id for d in result.dispositions) == sorted(h.event_id for h in history)
    keys = [c.key for c in result.charges]
    assert len(set(keys)) == len(keys)
    assert {d.charge_key for d in result.dispositions if d.outcome == "billed"} <= set(keys)
    assert all(c.amount > 0 or c.rule == "missed_service" for c in result.charges)
