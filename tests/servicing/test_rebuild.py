"""What is derived from the log can be thrown away and made again to the same bytes."""

from __future__ import annotations

from datetime import timedelta

import psycopg
import pytest

from accounts import clock
from accounts.ids import uuid7
from servicing.commands import rebuilds
from servicing.models import Report, UnitState
from servicing.rules.unit import fold_unit
from tests.servicing import plain_events


@pytest.fixture
def worked(north):
    """A few months of work with a counter-event, a contradiction, a standstill, reports and a visit."""
    start = clock.now() - timedelta(days=90)
    visit = uuid7(start)
    undone = north.event("wick.changed", north.unit, start + timedelta(days=31), reason="age", visit=visit)
    north.upload(
        north.installed(at=start),
        north.installed(north.units[1], start, station=1),
        north.exchanged(at=start + timedelta(days=30), visit=visit),
        undone,
        north.event(
            "visit.made", visit, start + timedelta(days=30), site_id=north.site.id, outcome="part_served"
        ),
        north.event(
            "event.countered",
            north.unit,
            start + timedelta(days=40),
            corrects=undone["id"],
            reason="not_done",
        ),
        north.exchanged(north.units[2], start),
        north.event("report.received", north.units[1], start + timedelta(days=50), kind="odour"),
        north.event("report.received", north.site, start + timedelta(days=51), kind="leak"),
        north.event(
            "standstill.began", north.site, start + timedelta(days=52), starts_on=start.date(), billing="none"
        ),
    )
    return north


def test_the_projections_equal_what_the_log_gives(worked):
    assert rebuilds.check(worked.operator.id) == []


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("servicing_unitstate", "status = 'down'"),
        ("servicing_unitstate", """history = jsonb_set(history, '{charge_ml}', '281')"""),
        ("servicing_duesegment", "starts_on = starts_on - 1"),
        ("servicing_outlook", "dry_on = dry_on + 1"),
        ("servicing_outlook", "chance_dry = 0.1234"),
        ("servicing_outlook", """basis = '{"n": 1}'"""),
        ("servicing_visit", "units = units + 1"),
        ("servicing_finding", "code = 'clock_ahead'"),
        ("servicing_standstill", "billing = 'full'"),
        ("servicing_report", "kind = 'empty'"),
        ("servicing_checkpoint", "position = position - 1"),
    ],
)
def test_one_changed_row_is_found_and_a_rebuild_mends_it(worked, servers, table, change):
    with psycopg.connect(servers.superuser_url) as connection:
        changed = connection.execute(
            f"UPDATE {table} SET {change} WHERE operator_id = %s", [worked.operator.id]
        )
        assert changed.rowcount > 0

    found = rebuilds.check(worked.operator.id)
    rebuilds.rebuild(worked.operator.id)

    assert found != []
    assert rebuilds.check(worked.operator.id) == []


def test_an_open_report_follows_its_unit_to_another_site(worked):
    from accounts.commands import customers
    from fleet import commands as fleet

    other = customers.add_sites(
        actor=worked.owner,
        sites=[
            {
                "customer_id": worked.customer.id,
                "code": "S2",
                "name": "Other",
                "kind": "office",
                "zone": "UTC",
            }
        ],
    )[0]
    room = fleet.add_restrooms(actor=worked.owner, restrooms=[{"site_id": other.id, "name": "First floor"}])[
        0
    ]
    station = fleet.add_stations(
        actor=worked.owner, stations=[{"restroom_id": room.id, "name": "1", "fixture": "urinal"}]
    )[0]

    worked.upload(worked.event("unit.moved", worked.units[1], station_id=station.id))

    with worked.reading():
        assert Report.objects.get(unit_id=worked.units[1].id).site_id == other.id
    assert rebuilds.check(worked.operator.id) == []


def test_a_rebuild_gives_the_same_bytes(worked):
    def bytes_now():
        with worked.reading():
            return [repr(row) for row in UnitState.objects.order_by("unit_id").values_list()]

    before = bytes_now()
    rebuilt = rebuilds.rebuild(worked.operator.id)

    assert (rebuilt.events, rebuilt.rows_changed) == (10, 0)
    assert bytes_now() == before


def test_what_waits_for_its_clock_is_found_once_however_often_it_is_folded():
    waiting = plain_events.event("wick.washed", 2, received_day=0)
    history = fold_unit([plain_events.installed()], None, [waiting])

    again = fold_unit([], history, [waiting])

    assert [code for code, *_ in again.findings] == ["clock_ahead"]
