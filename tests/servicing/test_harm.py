"""What matters most at a site. The ranking is the product's own choice; the days are counted by hand here."""

from __future__ import annotations

from datetime import date, timedelta

from servicing.rules.due import Band, DueSegment
from servicing.rules.harm import SiteHarm, UnitSigns, days_out, out_since, weigh, worst_first

TODAY = date(2026, 11, 26)
MONDAY, SATURDAY = date(2026, 11, 23), date(2026, 11, 28)


def due(on: date) -> DueSegment:
    """A due day with five days of grace before, three after, and long past after fourteen more."""
    late = on + timedelta(days=4)
    return DueSegment(
        date(2026, 11, 1), None, "due", on, on - timedelta(days=5), late, late + timedelta(days=14)
    )


AHEAD, LATE = due(date(2026, 12, 10)), due(date(2026, 11, 20))
CLOSED = DueSegment(date(2026, 11, 1), None, "standstill")


def test_dry_days_are_summed_over_units_with_the_first_and_today_counted() -> None:
    harm = weigh([UnitSigns(AHEAD, dry_on=MONDAY), UnitSigns(AHEAD, dry_on=TODAY)], TODAY)
    assert (harm.out, harm.out_unit_days, harm.out_since) == (2, 4 + 1, MONDAY)
    assert days_out(TODAY, TODAY) == 1


def test_a_unit_that_is_down_is_out_from_its_fault_even_with_liquid_left() -> None:
    signs = UnitSigns(AHEAD, dry_on=SATURDAY, down_since=MONDAY)
    assert out_since(signs, TODAY) == MONDAY
    assert out_since(UnitSigns(AHEAD, dry_on=SATURDAY), TODAY) is None


def test_a_unit_is_dry_soon_only_until_it_is_dry() -> None:
    soon = UnitSigns(AHEAD, dry_on=SATURDAY, dry_soon_from=SATURDAY - timedelta(days=3))
    dry = UnitSigns(AHEAD, dry_on=MONDAY, dry_soon_from=MONDAY - timedelta(days=3))
    harm = weigh([soon, dry], TODAY)
    assert (harm.soon, harm.soon_on, harm.out) == (1, SATURDAY, 1)


def test_an_output_that_is_off_sends_somebody_while_the_unit_still_drips() -> None:
    off = UnitSigns(AHEAD, dry_on=SATURDAY, drift_since_on=MONDAY)
    dry_too = UnitSigns(AHEAD, dry_on=MONDAY, drift_since_on=MONDAY)
    later = UnitSigns(AHEAD, drift_since_on=SATURDAY)
    assert (weigh([off], TODAY).off, weigh([off], TODAY).needs_someone) == (1, True)
    assert (weigh([dry_too], TODAY).off, weigh([later], TODAY).off) == (0, 0)
    assert worst_first(SiteHarm(off=1)) < worst_first(SiteHarm(long_past=9))


def test_in_a_standstill_nothing_counts_but_a_leak() -> None:
    closed = weigh([UnitSigns(CLOSED, dry_on=MONDAY, wick_watch_from=MONDAY)], TODAY)
    assert (closed.out, closed.watched, closed.band, closed.needs_someone) == (0, 0, Band.STANDSTILL, False)
    assert weigh([UnitSigns(CLOSED, leaks=True)], TODAY).is_safety


def test_the_band_of_a_site_is_its_worst_units() -> None:
    harm = weigh([UnitSigns(AHEAD), UnitSigns(LATE)], TODAY)
    assert (harm.band, harm.late, harm.due_on) == (Band.PAST_GRACE, 1, date(2026, 11, 20))
    assert weigh([], TODAY).band is Band.NONE


def test_safety_comes_first_then_dry_unit_days_then_lateness() -> None:
    leak = SiteHarm(units=1, safety_reports=1)
    very_dry = SiteHarm(units=9, out=9, out_unit_days=36)
    dry = SiteHarm(units=9, out=9, out_unit_days=9, long_past=9)
    late = SiteHarm(units=9, past_grace=9)
    fine = SiteHarm(units=9)
    assert sorted([fine, late, dry, leak, very_dry], key=worst_first) == [leak, very_dry, dry, late, fine]
    assert not fine.needs_someone


def test_a_wick_to_watch_alone_sends_nobody() -> None:
    harm = weigh([UnitSigns(AHEAD, wick_watch_from=MONDAY)], TODAY)
    assert (harm.watched, harm.needs_someone) == (1, False)
