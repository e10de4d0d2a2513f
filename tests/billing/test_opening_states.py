"""A unit that hung before its operator began costs by its days from then on, and its opening state costs nothing."""

from datetime import date
from decimal import Decimal
from uuid import uuid4

from billing.projections import adding
from billing.queries import closes
from billing.rules.dispositions import Outcome, Reason
from billing.rules.places import Footing, Stay, walk
from servicing.commands.opening import Opening, record_openings
from tests.billing.books import APRIL, MAY, charged, close, invoice_lines, list_prices, on
from tests.billing.plain import (
    CLOSET,
    INSTALL,
    NOVEMBER,
    OCTOBER,
    SEPTEMBER,
    URINAL,
    WICK,
    at,
    event,
    inputs,
    installed,
    monthly,
    rate_unit,
    withdrawn,
)


def opened(day="2026-09-11", station=URINAL, time="01:00"):
    return event(f"opened {day}", "unit.opened", at(day, time), station_id=station)


def stays(*events):
    return [(one.station.id, one.starts_on, one.ends_before) for one in walk(inputs(), events)[1]]


def test_it_hangs_there_from_its_day_on():
    assert stays(opened()) == [(URINAL, date(2026, 9, 11), None)]
    assert stays(opened(), withdrawn("2026-09-20")) == [(URINAL, date(2026, 9, 11), date(2026, 9, 20))]


def test_where_the_history_is_known_it_changes_nothing():
    known, late = installed("2026-09-01"), opened("2026-09-11", CLOSET)
    done, where = walk(inputs(), [known, late])

    assert where == [Stay(inputs().stations[URINAL], date(2026, 9, 1), None)]
    assert done[late.event_id].footing is Footing.ALREADY_INSTALLED
    gone = withdrawn("2026-09-05")
    assert stays(known, gone, late) == [(URINAL, date(2026, 9, 1), date(2026, 9, 5))]
    assert stays(opened("2026-09-01"), late) == [(URINAL, date(2026, 9, 1), None)]


def test_its_days_are_charged_and_the_opening_is_disposed_of_as_what_is_never_billed():
    # 20 of September's 30 days, from the 11th on, of 30.00 EUR a month: 20.00 EUR, by hand.
    said, changed = opened(), event("wick", "wick.changed", at("2026-09-15"))
    result = rate_unit(
        inputs(monthly(), WICK, INSTALL),
        said.subject_id,
        [said, changed],
        first_month=SEPTEMBER,
        open_from=OCTOBER,
    )

    assert sorted((one.item_code, str(one.amount)) for one in result.charges) == [
        ("month-urinal", "20.00"),
        ("wick", "12.50"),
    ]
    fates = {one.event_id: (one.outcome, one.reason) for one in result.dispositions}
    assert fates[said.event_id] == (Outcome.NOT_BILLABLE, Reason.TYPE_NEVER_BILLS)
    assert fates[changed.event_id][0] is Outcome.BILLED


def test_undone_or_ahead_it_hangs_nowhere():
    for standing in ("superseded", "clock_ahead"):
        said = opened()
        said.standing = standing
        result = rate_unit(inputs(), said.subject_id, [said], first_month=SEPTEMBER, open_from=NOVEMBER)
        assert result.charges == []


def opening(cast, day, number=0):
    said = Opening(cast.units[number].id, cast.stations[number].id, day, id=uuid4())
    (fate,) = record_openings(actor=cast.dispatcher, openings=[said])
    assert fate.fate == "recorded"
    return fate.event_id


def test_a_month_is_closed_for_units_that_were_never_installed_here(north):
    list_prices(north)
    made = opening(north, date(2026, 4, 21))
    north.upload(north.event("wick.changed", north.unit, on(4, 24), reason="age"))
    close(north, APRIL)

    # 10 of April's 30 days of 30.00 EUR, and one wick; no installation.
    assert sorted(invoice_lines(north, "INV-000001")) == [
        ("regular", "month", "2026-04-21", "10.0", "10.0000"),
        ("regular", "wick", "2026-04-24", "1.0", "12.5000"),
    ]
    with north.reading():
        fate = closes.dispositions_of([north.unit.id], ())[made]
    assert (fate.outcome, fate.reason) == ("not_billable", "type_never_bills")
    assert adding.check(north.operator.id) == []


def test_one_that_is_told_of_late_is_charged_for_its_closed_days_too(north):
    list_prices(north)
    opening(north, date(2026, 4, 1))
    close(north, APRIL)
    opening(north, date(2026, 4, 21), 1)
    close(north, MAY)

    assert charged(north) == {
        (0, "month", 4): Decimal(30),
        (0, "month", 5): Decimal(30),
        (1, "month", 4): Decimal(10),
        (1, "month", 5): Decimal(30),
    }
    assert adding.check(north.operator.id) == []
