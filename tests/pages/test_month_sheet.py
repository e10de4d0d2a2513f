"""The month sheet: what a month brought and how it was served, each number the sum of the rows it opens."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

import pytest

from accounts import clock
from accounts.commands import operators
from accounts.ids import uuid7
from accounts.permissions import Role
from billing.commands import crediting, payments
from billing.commands.payments import NewPayment
from billing.queries import ageing
from billing.queries.months import MoneyFigure, money_months, money_rows
from servicing.queries.events import stored_events
from servicing.queries.months.behind import rows_behind
from servicing.queries.months.sheet import Figure, Sheet, material_of, sheet_of
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices, numbers
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of

NOW = datetime(2026, 7, 20, 9, tzinfo=UTC)


def on(month: int, day: int, hour: int = 9) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


def address(north: Cast, rest: str = "2026-06") -> str:
    return f"/{north.operator.slug}/months/{rest}"


@pytest.fixture
def served(north: Cast) -> Cast:
    """Due on the 10th, in grace from the 5th to the 13th.

    Unit 1 is met in April, five days late in May, dry and late in June. Unit 2 comes in May and is met in June; its wick
    is changed and it plugs twice. Unit 3 comes in April, is never exchanged and is withdrawn on 20 June. On 9 June nobody
    is let in, on 10 June the crew is there for 45 minutes. One report of June is closed after four days, one is open.
    """
    one, two, three = north.units
    dry = {"cartridge_left_ml": 0, "reservoir_before_ml": 0, "reservoir_after_ml": 0}
    odour = north.event("report.received", one, on(6, 12), kind="odour")
    place = {"site_id": north.site.id, "crew_id": north.crew.id}
    with clock.playing(on(7, 1)):
        fates = north.upload(
            north.installed(one, on(3, 20)),
            north.exchanged(one, on(4, 10)),
            north.exchanged(one, on(5, 18), reservoir_after_ml=0),
            north.exchanged(one, on(6, 25), **dry),
            north.installed(two, on(5, 4), station=1),
            north.exchanged(two, on(6, 10)),
            north.event("wick.changed", two, on(6, 10), reason="failed"),
            north.event("fault.found", two, on(6, 10, 10), mode="PLU", detection="visit_check"),
            north.event("outlet.cleared", two, on(6, 10, 11), drips_again=True),
            north.event("fault.found", two, on(6, 15), mode="PLU", detection="report"),
            north.event("fault.closed", two, on(6, 16), mode="PLU", action="cleaned"),
            odour,
            north.event("report.closed", one, on(6, 16), report_event_id=UUID(odour["id"])),
            north.event("report.received", north.site, on(6, 29), kind="leak"),
            north.installed(three, on(4, 2), station=2),
            north.event("unit.withdrawn", three, on(6, 20), reason="replaced"),
            north.event("visit.made", uuid7(on(6, 10)), on(6, 10), outcome="served", minutes=45, **place),
            north.event("visit.not_admitted", uuid7(on(6, 9)), on(6, 9), reason="closed", **place),
        )
    assert [str(one) for one in fates if "accepted" not in str(one)] == []
    return north


def read(cast: Cast, month: date = JUNE, at: datetime = NOW) -> Sheet:
    with clock.playing(at), cast.reading():
        return sheet_of(material_of(month))


def value(sheet: Sheet, figure: Figure) -> Any:
    series = sheet.series[figure]
    return (series.top[-1], None if series.bottom is None else series.bottom[-1])


def test_without_a_month_the_last_whole_one_opens(north: Cast) -> None:
    with clock.playing(on(7, 3)):
        answer = signed_in(north, Role.OWNER).get(address(north, ""))
    assert answer.status_code == 302
    assert answer["location"] == address(north)


def test_a_new_operator_is_told_what_will_stand_there(north: Cast) -> None:
    with clock.playing(on(7, 3)):
        body = text_of(signed_in(north, Role.OWNER).get(address(north)))
    assert "Nothing has been billed for June 2026 yet." in body
    assert "No due day's grace has ended. No unit was in service." in body
    assert "what another cartridge or another grace would change can be tried here" in body


def test_a_month_is_counted_from_its_events(served: Cast) -> None:
    sheet = read(served)
    assert value(sheet, Figure.UNITS) == (2, None)
    assert (sheet.units_gained, sheet.units_lost) == (0, 1)
    assert value(sheet, Figure.SITES) == (1, None)
    # Units 1 and 3 are late; unit 2 is met on the day.
    assert value(sheet, Figure.PUNCTUAL) == (1, 3)
    # Two units for thirty days, and the third until the 20th.
    assert value(sheet, Figure.DRY)[1] == 30 + 30 + 19
    assert value(sheet, Figure.WICKS) == (1, None)
    assert sheet.worn[-1] == 1
    assert value(sheet, Figure.REPORTS)[0] == 2
    assert sheet.reports_open == 1
    assert value(sheet, Figure.FAULTS)[0] == 2
    assert [(one.mode, one.count) for one in sheet.modes] == [("PLU", 2)]
    assert value(sheet, Figure.NOT_ADMITTED) == (1, 2)
    # Closed on the 10th, back on the 15th; closed on the 16th, not back.
    assert value(sheet, Figure.REMEDY) == (1, 2)
    assert value(sheet, Figure.RESTORED) == (4, 1)
    # One crew on 22 weekdays of 450 minutes.
    assert value(sheet, Figure.LOAD) == (45, 22 * 450)
    may = read(served, MAY)
    assert value(may, Figure.UNITS) == (3, None)
    assert (may.units_gained, may.units_lost) == (1, 0)


def test_a_unit_found_dry_counts_from_when_its_dose_said(served: Cast) -> None:
    """Unit 1: 280 mL on 18 May, found dry on 25 June, 38 days later; by its visits it drips some 7.4 mL a day.

    Unit 3: 280 mL on 2 April at its nominal 8 mL a day are gone by 7 May, so June is dry until the 20th.
    """
    with clock.playing(NOW), served.reading():
        rows = rows_behind(material_of(JUNE), Figure.DRY)
    by_unit = {row.unit_code: row for row in rows}
    assert set(by_unit) == {served.units[0].code, served.units[2].code}
    assert 1.5 < by_unit[served.units[0].code].adds < 6
    assert by_unit[served.units[0].code].kind == "seen"
    assert by_unit[served.units[2].code].adds == pytest.approx(19.4, abs=0.1)
    assert by_unit[served.units[2].code].kind == "expected"


@pytest.mark.parametrize("figure", list(Figure))
def test_the_rows_behind_a_figure_come_to_it(served: Cast, figure: Figure) -> None:
    with clock.playing(NOW), served.reading():
        material = material_of(JUNE)
        rows, series = rows_behind(material, figure), sheet_of(material).series[figure]
    before = series.top[-2] if figure in {Figure.UNITS, Figure.SITES} else 0
    assert before + sum(row.adds for row in rows) == pytest.approx(series.top[-1])
    if figure in {Figure.PUNCTUAL, Figure.REMEDY, Figure.RESTORED}:
        assert series.bottom is not None
        assert len(rows) == series.bottom[-1]


def test_each_number_opens_its_rows_and_they_lead_on(served: Cast) -> None:
    with clock.playing(NOW):
        visitor = signed_in(served, Role.VIEWER)
        body = visitor.get(address(served)).content.decode()
        links = re.findall(rf'href="({address(served)}/[a-z-]+)"', body)
        texts = {link.rsplit("/", 1)[1]: text_of(visitor.get(link)) for link in links}
    assert set(texts) == {str(one) for one in (*Figure, *MoneyFigure)}
    assert "1 of 3 due days were met in grace." in texts["due-days"]
    assert "met past grace, on Thu 25 Jun" in texts["due-days"]
    assert "not met" in texts["due-days"]
    assert "changed because it had failed" in texts["wicks"]
    assert "odour; closed on Tue 16 Jun" in texts["reports"]
    assert "leak; still open" in texts["reports"]
    assert "outlet plugged" in texts["faults"]
    assert "the site was closed" in texts["not-admitted"]
    assert "closed on Wed 10 Jun, came back" in texts["first-go"]
    assert "after 4.0 days" in texts["restored"]
    assert "Crew A" in texts["crew-load"]
    assert "Thu 25 Jun; dry for" in texts["dry-days"]


def test_past_months_read_the_same_later(served: Cast) -> None:
    now, later = read(served), read(served, at=datetime(2027, 1, 10, 9, tzinfo=UTC))
    # By then the grace of every due day and the fortnight after each fault have ended; nothing else may move.
    assert now.series == later.series
    assert (now.modes, now.on_time) == (later.modes, later.on_time)


def test_a_correction_changes_the_month_it_belongs_to(served: Cast) -> None:
    change = next(one for one in _events(served) if one["type"] == "wick.changed")
    with clock.playing(on(7, 2)):
        served.upload(
            served.event(
                "event.countered", served.units[1], on(7, 2), corrects=change["id"], reason="wrong_unit"
            )
        )
    assert value(read(served), Figure.WICKS) == (0, None)


def _events(cast: Cast) -> list[dict[str, Any]]:
    with cast.reading():
        return [{"type": row.type, "id": row.event_id} for row in stored_events()]


def test_a_standstill_takes_its_days_and_due_days_out(served: Cast) -> None:
    with clock.playing(on(7, 2)):
        served.upload(
            served.event(
                "standstill.began", served.site, on(6, 1), starts_on="2026-06-01", ends_on="2026-06-15", billing="none"
            )
        )  # fmt: skip
    sheet = read(served)
    assert value(sheet, Figure.DRY)[1] == 15 + 15 + 4
    # The 10th lapses; the standstill's last day is due instead.
    with clock.playing(NOW), served.reading():
        rows = rows_behind(material_of(JUNE), Figure.PUNCTUAL)
    assert {row.on for row in rows} == {date(2026, 6, 15)}


def test_the_running_month_counts_up_to_today(served: Cast) -> None:
    with clock.playing(on(7, 8)):
        text = text_of(signed_in(served, Role.OWNER).get(address(served, "2026-07")))
    assert "The month counts up to Wed 8 Jul." in text
    sheet = read(served, date(2026, 7, 1), at=on(7, 8))
    assert value(sheet, Figure.DRY)[1] == 2 * 8


@pytest.mark.parametrize("rest", ["2026-08", "2026-13", "june", "0000-01", "2026-06/shoe-sizes"])
def test_what_is_no_month_or_figure_is_not_found(north: Cast, rest: str) -> None:
    with clock.playing(on(7, 3)):
        assert signed_in(north, Role.OWNER).get(address(north, rest)).status_code == 404


def test_a_crew_member_sees_no_sheet_and_a_dispatcher_no_money(served: Cast) -> None:
    with clock.playing(NOW):
        assert signed_in(served, Role.CREW_MEMBER).get(address(served)).status_code == 403
        dispatcher = signed_in(served, Role.DISPATCHER)
        text = text_of(dispatcher.get(address(served)))
        assert dispatcher.get(address(served, "2026-06/invoiced")).status_code == 404
    assert "June 2026. 3 due days' grace has ended, too few for a rate." in text
    assert "Invoiced" not in text
    assert "Units under agreement" in text


@pytest.fixture
def billed(served: Cast) -> Cast:
    """April, May and June are closed; of April's invoice something is given back and some is paid in June."""
    list_prices(served)
    for month in (APRIL, MAY, JUNE):
        close(served, month)
    with clock.playing(on(6, 20)):
        payments.record_payment(
            actor=served.actors[Role.BOOKKEEPER],
            payment=NewPayment(
                customer_id=served.customer.id, amount=Decimal("20.00"), received_on=date(2026, 6, 18),
                currency="EUR", method="transfer",
            ),
        )  # fmt: skip
        crediting.credit_document(
            actor=served.actors[Role.BOOKKEEPER], number=numbers(served)[0], reason="Agreed by telephone"
        )
    return served


def test_the_money_of_a_month_is_that_of_its_documents(billed: Cast) -> None:
    months = [date(2025, 7, 1), date(2025, 8, 1), *(date(2025, m, 1) for m in (9, 10, 11, 12))]
    months += [date(2026, m, 1) for m in range(1, 7)]
    with clock.playing(NOW), billed.reading():
        june = money_months("EUR", months, date(2026, 6, 30))[-1]
        rows = {one: money_rows(one, "EUR", JUNE, date(2026, 6, 30)) for one in MoneyFigure}
        owed = sum(row.balance for one in ageing.ageing(at=date(2026, 6, 30)) for row in one.rows)
    # Two units for the whole month and 19 of 30 days of the third at 30 EUR, and a wick.
    assert june.invoiced == Decimal("60.00") + Decimal("19.00") + Decimal("12.50")
    assert june.paid == Decimal("20.00")
    assert june.given_back > 0
    for figure, amount in (
        (MoneyFigure.INVOICED, june.invoiced),
        (MoneyFigure.GIVEN_BACK, june.given_back),
        (MoneyFigure.PAID, june.paid),
        (MoneyFigure.OWED, june.owed),
    ):
        assert sum(row.adds for row in rows[figure]) == amount
    # The journal's receivables and the debtors' ageing tell the same, but for money that settles nothing yet.
    assert june.owed - june.paid == owed


def test_the_sheet_says_whether_the_month_paid(billed: Cast) -> None:
    with clock.playing(NOW):
        text = text_of(signed_in(billed, Role.OWNER).get(address(billed)))
    assert re.search(r"June 2026 brought -?\S+ EUR: 91.50 EUR invoiced, \S+ EUR given back.", text)
    assert re.search(r"That is [\d.]+ % (more|less) than the month before\.", text)
    assert "Owed at the end" in text


# What-if


@pytest.fixture
def monthly(north: Cast) -> Cast:
    """Three units exchanged every month from January 2025 to May 2026, on the due day, on which 40 + 20 mL are left."""
    with clock.playing(on(6, 1)):
        for at, unit in enumerate(north.units):
            north.upload(
                north.installed(unit, datetime(2025, 12, 30, 9, tzinfo=UTC), station=at),
                *(north.exchanged(unit, on(month, 10)) for month in range(1, 6)),
                *(north.exchanged(unit, on(month, 20)) for month in range(1, 6)),
                *(north.exchanged(unit, on(month, 28)) for month in range(1, 5)),
            )
    return north


def test_another_cartridge_is_tried_on_the_operators_own_gaps(monthly: Cast) -> None:
    with clock.playing(on(6, 3)):
        visitor = signed_in(monthly, Role.OWNER)
        usual = text_of(visitor.get(address(monthly, "2026-05")))
        typed = text_of(visitor.get(address(monthly, "2026-05") + "?volume=95&grace=6"))
        wrong = visitor.get(address(monthly, "2026-05") + "?volume=lots&grace=99")
    assert "With 280 mL and 3 days of grace, 0 % of cartridges are empty before the exchange" in usual
    assert "280 mL as now" in usual
    assert "With 6 days of grace" in typed
    assert "95 mL" in typed
    assert wrong.status_code == 200
    body = wrong.content.decode()
    assert "Grace is 0 to 14 days." in body
    assert 'value="lots"' in body
    assert "Type the cartridge&#x27;s content as a number" in body


def test_the_sheet_reads_in_german_and_in_us_units(monthly: Cast) -> None:
    operators.change_operator(
        actor=monthly.owner, name="North", legal_name="North", locale="de-DE", measures="us"
    )
    with clock.playing(on(6, 3)):
        answer = signed_in(monthly, Role.OWNER).get(address(monthly, "2026-05"))
    text = text_of(answer)
    assert "Monatsblatt" in answer.content.decode()
    assert "Vereinbarte Geräte" in text
    assert "9,5 fl oz" in text
    assert "mL" not in text
    # Coordinates are numbers of SVG in any language.
    assert not re.search(r'(?:x|y|height|width)="\d+,\d', answer.content.decode())
