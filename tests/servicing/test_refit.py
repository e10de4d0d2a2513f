"""A refit: what an operator's own histories teach it, stored with what it rests on, and used from then on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from accounts import clock, jobs, tasks
from accounts.errors import Forbidden
from accounts.permissions import Role
from fleet import commands as fleet_commands
from servicing.commands import forecasts, rebuilds, sweeps
from servicing.models import Fit, Outlook
from servicing.queries import fleet_state, forecasting
from tests.cast import new_cast
from tests.servicing.beside import when

START = datetime(2025, 9, 1, 9, 0, tzinfo=UTC)
UNITS = 6
MONTHS = 9
MONTH = timedelta(days=30)


def month(number: int) -> datetime:
    return START + number * MONTH


def exchanges(cast, number: int, left_ml: int = 100, **rest):
    """Every unit exchanged that many months after it was installed, each with a little less left than the one before."""
    return [
        cast.exchanged(unit, month(number) + timedelta(minutes=n), cartridge_left_ml=left_ml - 10 * n, **rest)
        for n, unit in enumerate(cast.units)
    ]


@pytest.fixture
def fleet(database):
    """Six units that drip about 6 mL a day of a nominal 8, exchanged monthly; the clock stands at the last visit."""
    cast = new_cast("fleet", units=UNITS)
    clock.set_to(START + timedelta(hours=1))
    cast.upload(*(cast.installed(unit, START, station) for station, unit in enumerate(cast.units)))
    for number in range(1, MONTHS + 1):
        clock.set_to(month(number) + timedelta(hours=1))
        cast.upload(*exchanges(cast, number))
    return cast


def outlooks(cast) -> dict:
    with cast.reading():
        return {row.unit_id: row for row in Outlook.objects.all()}


def stored(cast) -> list:
    with cast.reading():
        return [
            {name: value for name, value in row.__dict__.items() if name != "_state"}
            for row in Outlook.objects.order_by("unit_id")
        ]


def test_a_new_operator_has_priors_and_is_told_so(north):
    north.upload(north.installed())

    done = forecasts.refit(actor=north.owner)

    assert (done.readings, done.failures, done.outlooks) == (0, 0, 1)
    row = outlooks(north)[north.unit.id]
    assert row.dose_ml_per_day == 8
    assert row.basis["prior"] is row.basis["wick_prior"] is True
    assert row.wick_advice == ""


def test_a_refit_learns_the_dose_and_narrows_the_dry_date(fleet):
    before = outlooks(fleet)

    done = forecasts.refit(actor=fleet.owner)

    after = outlooks(fleet)
    assert (done.readings, done.outlooks) == (UNITS * MONTHS, UNITS)
    first, fresh = before[fleet.unit.id], after[fleet.unit.id]
    assert first.basis["prior"] is True
    assert fresh.basis["prior"] is False
    assert fresh.basis["n_operator"] == UNITS * MONTHS
    # 280 + 20 - 100 - 20 = 180 mL in 30 days.
    assert float(fresh.dose_ml_per_day) == pytest.approx(6.0, abs=0.4)
    assert fresh.dry_latest_on - fresh.dry_earliest_on < first.dry_latest_on - first.dry_earliest_on
    with fleet.reading():
        dose = forecasting.fits().filter(kind="dose").get()
    assert dose.basis["units"] == UNITS
    # The six let through 180 to 230 mL, on average 205: log(205 / 30 / 8) = -0.16.
    assert dose.parameters["mean"] == pytest.approx(-0.16, abs=0.03)


def test_a_second_refit_gives_the_same_and_the_log_gives_what_is_stored(fleet):
    forecasts.refit(actor=fleet.owner)
    first = stored(fleet)

    forecasts.refit(actor=fleet.owner)

    assert stored(fleet) == first
    assert rebuilds.check(fleet.operator.id) == []
    assert rebuilds.rebuild(fleet.operator.id).rows_changed == 0
    with fleet.reading():
        assert {fit.kind for fit in Fit.objects.all()} == {"dose", "wick"}
        assert len({str(fit.parameters) for fit in Fit.objects.filter(kind="dose")}) == 1


def test_a_refit_while_all_is_rebuilt_is_in_what_goes_live(fleet):
    rebuilds.rebuild_all(
        when("reading what the planner needs to know", lambda: forecasts.refit(actor=fleet.owner))
    )

    assert outlooks(fleet)[fleet.unit.id].basis["prior"] is False
    assert rebuilds.check(fleet.operator.id) == []


def test_a_refit_while_one_operator_is_rebuilt_is_in_what_is_written(fleet):
    rebuilds.rebuild(
        fleet.operator.id, when("writing what differs", lambda: forecasts.refit(actor=fleet.owner))
    )

    assert outlooks(fleet)[fleet.unit.id].basis["prior"] is False
    assert rebuilds.check(fleet.operator.id) == []


def test_an_upload_after_a_refit_is_forecast_by_it(fleet):
    forecasts.refit(actor=fleet.owner)
    clock.set_to(month(MONTHS + 1) + timedelta(hours=1))

    fleet.upload(*exchanges(fleet, MONTHS + 1))

    row = outlooks(fleet)[fleet.unit.id]
    assert row.basis["prior"] is False
    assert row.basis["n"] == MONTHS + 1
    assert rebuilds.check(fleet.operator.id) == []


def test_a_rival_learns_nothing_of_it(fleet, south):
    south.upload(south.installed())
    before = stored(south)

    forecasts.refit(actor=fleet.owner)

    assert stored(south) == before
    with south.reading():
        assert forecasting.fits().count() == 0
        assert forecasting.live_fits().dose.is_prior
    assert outlooks(south)[south.unit.id].basis["prior"] is True
    with fleet.reading():
        assert not forecasting.live_fits().dose.is_prior


def test_only_the_latest_fits_are_kept(fleet, later):
    for _ in range(forecasting.KEPT_FITS + 2):
        later(minutes=1)
        forecasts.refit(actor=fleet.owner)

    with fleet.reading():
        kept = list(forecasting.fits().filter(kind="wick"))
        live = forecasting.live_fits()
    assert len(kept) == forecasting.KEPT_FITS
    assert kept[0].made_at == clock.now()
    assert live.dose.fit.readings == UNITS * MONTHS


def test_failed_wicks_give_a_curve_and_the_advice_to_change_old_ones(database):
    cast = new_cast("wicks", units=12)
    clock.set_to(START + timedelta(hours=1))
    cast.upload(*(cast.installed(unit, START, station) for station, unit in enumerate(cast.units)))
    for number, unit in enumerate(cast.units[:8]):
        at = month(9 + number % 3)
        clock.set_to(max(clock.now(), at + timedelta(hours=1)))
        cast.upload(
            cast.event("wick.checked", unit, at - MONTH, condition="good"),
            cast.event("wick.checked", unit, at, condition="failed"),
            cast.event("wick.changed", unit, at + timedelta(minutes=1), reason="failed"),
            cast.exchanged(unit, at + timedelta(minutes=2)),
        )
    clock.set_to(month(12))
    cast.upload(*(cast.event("wick.checked", unit, condition="good") for unit in cast.units[8:]))

    done = forecasts.refit(actor=cast.owner)
    sweeps.sweep(actor=cast.owner)

    rows = outlooks(cast)
    young, old = rows[cast.units[0].id], rows[cast.units[11].id]
    assert done.failures == 8
    assert old.basis["wick_prior"] is False
    assert (young.wick_advice, old.wick_advice) == ("wait", "change")
    assert old.wick_saving > 0
    assert old.wick_watch_from < clock.now().date() < young.wick_watch_from
    with cast.reading():
        watched = {one.unit_id for one in fleet_state.open_alerts() if one.kind == "wick_watch"}
    assert watched == {unit.id for unit in cast.units[8:]}
    assert rebuilds.check(cast.operator.id) == []


def test_a_unit_that_stops_transferring_is_an_alert_until_somebody_sees_to_it(fleet):
    forecasts.refit(actor=fleet.owner)
    at = month(MONTHS + 1)
    clock.set_to(at + timedelta(hours=1))
    fleet.upload(fleet.exchanged(at=at, cartridge_left_ml=250))
    sweeps.sweep(actor=fleet.owner)
    row = outlooks(fleet)[fleet.unit.id]
    with fleet.reading():
        found = {(one.kind, one.unit_id, one.first_day) for one in fleet_state.open_alerts()}

    fleet.upload(fleet.event("wick.washed", fleet.unit, at + timedelta(minutes=30)))
    sweeps.sweep(actor=fleet.owner)

    assert (row.drift, row.drift_advice, row.drift_since_on) == ("low", "wash", at.date())
    assert (row.wick_advice, row.wick_reason) == ("wash", "left_over")
    assert ("drift", fleet.unit.id, at.date()) in found
    assert ("wick_watch", fleet.unit.id, at.date()) in found
    with fleet.reading():
        assert {one.kind for one in fleet_state.open_alerts()}.isdisjoint({"drift", "wick_watch"})


def test_a_refit_is_owed_once_a_day_and_done_once(fleet):
    owed_at = fleet_time = clock.now()
    midnight = owed_at.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    clock.set_to(midnight + timedelta(seconds=4 * 3_600))
    for _ in range(2):
        jobs.owe_everyone(
            kind="servicing.tasks.refit",
            slot=f"{midnight:%Y-%m-%d}",
            start=midnight,
            spread_seconds=4 * 3_600,
        )
    claimed = [
        job
        for job in jobs.claim_due(1_000_000)
        if (job.operator_id, job.kind) == (fleet.operator.id, tasks.REFIT)
    ]

    first = forecasts.run_refit(fleet.operator.id, claimed[0].id)
    again = forecasts.run_refit(fleet.operator.id, claimed[0].id)

    assert len(claimed) == 1
    assert (first, again) == (True, False)
    assert fleet_time < clock.now()
    assert outlooks(fleet)[fleet.unit.id].basis["prior"] is False


def test_whatever_a_cartridge_is_called_its_units_are_forecast(north):
    code = "C\\\"{1}, µ'"
    odd = fleet_commands.add_cartridge(
        actor=north.owner,
        code=code,
        name=code,
        liquid_id=north.cartridge.liquid_id,
        volume_ml=280,
        nominal_dose_ml_per_day=Decimal(8),
    )
    north.upload(
        {**north.installed(), "payload": {**north.installed()["payload"], "cartridge_id": str(odd.id)}}
    )

    forecasts.refit(actor=north.owner)

    assert outlooks(north)[north.unit.id].basis["group"] == f"school/{code}"
    assert rebuilds.check(north.operator.id) == []


def test_a_fit_of_an_older_method_is_passed_over_until_the_next_night(fleet, superuser):
    forecasts.refit(actor=fleet.owner)
    superuser.execute(
        "UPDATE servicing_fit SET method = 'older', parameters = '{}' WHERE operator_id = %s",
        [fleet.operator.id],
    )

    fleet.upload(fleet.exchanged(fleet.unit))
    assumed = outlooks(fleet)[fleet.unit.id].basis
    forecasts.refit(actor=fleet.owner)

    assert assumed["prior"] is True
    assert outlooks(fleet)[fleet.unit.id].basis["prior"] is False


def test_only_an_owner_or_the_clock_may_refit(fleet):
    with pytest.raises(Forbidden):
        forecasts.refit(actor=fleet.actors[Role.DISPATCHER])
