"""A rebuild goes on beside the work: readers see the old rows or the new, no event is missed, a failure leaves no trace."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection

from accounts import clock, jobs, tenancy
from accounts.commands import customers
from accounts.errors import Busy, Conflict
from servicing import log
from servicing.commands import rebuilds, sweeps
from servicing.models import DueSegment, UnitState
from servicing.projections import shadows
from servicing.projections.folding import catch_up
from tests.cast import Cast, new_cast
from tests.servicing.beside import (
    EMPTY_ASIDE,
    apart,
    aside,
    contents_of,
    gaps,
    new_event,
    rows_of,
    shape_of,
    spoil,
    when,
)


@pytest.fixture
def worked(north: Cast) -> Cast:
    north.upload(
        north.installed(at=clock.now() - timedelta(days=60)),
        north.installed(north.units[1], clock.now() - timedelta(days=60), station=1),
        north.exchanged(at=clock.now() - timedelta(days=30)),
        north.exchanged(north.units[2], clock.now() - timedelta(days=20)),
        north.event("report.received", north.units[1], clock.now() - timedelta(days=10), kind="odour"),
    )
    return north


def test_a_swap_mends_every_operator_and_the_tables_are_made_as_before(worked, south, superuser):
    south.upload(south.installed())
    before, content = shape_of(superuser), contents_of(superuser, worked)
    spoil(superuser, worked)
    spoil(superuser, south)

    rebuilt = rebuilds.rebuild_all()

    assert rebuilt.events >= 6
    assert rebuilds.check(worked.operator.id) == []
    assert rebuilds.check(south.operator.id) == []
    assert contents_of(superuser, worked) == content
    assert shape_of(superuser) == before
    assert aside(superuser) == EMPTY_ASIDE
    assert gaps(superuser) == []


def test_sets_and_the_fold_of_an_upload_give_the_same_rows(worked, superuser):
    by_upload = contents_of(superuser, worked)

    rebuilds.rebuild_all(by_sets=True)
    by_sets = contents_of(superuser, worked)
    rebuilds.rebuild_all(by_sets=False)
    by_fold = contents_of(superuser, worked)

    assert by_sets == by_upload
    assert by_fold == by_upload


def test_the_tables_take_turns_until_a_migration_changes_the_live_ones(worked, superuser):
    def live_and_aside() -> list[int]:
        names = "'public.servicing_visit'::regclass::oid, 'wickround_building.servicing_visit'::regclass::oid"
        return list(superuser.execute(f"SELECT {names}").fetchone())

    rebuilds.rebuild_all()
    before = live_and_aside()
    rebuilds.rebuild_all()
    assert live_and_aside() == before[::-1]
    superuser.execute("ALTER TABLE servicing_visit ADD CONSTRAINT some_units CHECK (units >= 0)")

    rebuilds.rebuild_all()

    changed = live_and_aside()
    shape = shape_of(superuser)
    superuser.execute("ALTER TABLE servicing_visit DROP CONSTRAINT some_units")
    assert changed[0] not in before
    assert "some_units" in str(shape["servicing_visit constraints"])


def test_the_version_that_is_live_is_the_newest(worked, superuser):
    first, second = rebuilds.rebuild_all(), rebuilds.rebuild_all()

    states = dict(superuser.execute("SELECT version, state FROM servicing_projectionversion").fetchall())
    assert second.version == first.version + 1
    assert states[second.version] == "live"
    assert states[first.version] == "retired"


def test_readers_see_the_same_rows_before_while_and_after(worked, superuser):
    ended = threading.Event()
    seen: set[Any] = set()

    def read_on() -> None:
        while not ended.is_set():
            with worked.reading():
                units = tuple(UnitState.objects.order_by("unit_id").values_list("unit_id", "status"))
                seen.add((units, DueSegment.objects.count()))

    with ThreadPoolExecutor(1) as pool:
        reading = pool.submit(apart, read_on)
        try:
            for _ in range(3):
                rebuilds.rebuild_all()
        finally:
            ended.set()
        reading.result()

    ((units, segments),) = seen
    assert len(units) == 3
    assert segments > 0


def test_a_reader_that_began_with_the_old_rows_ends_with_them(worked, superuser):
    """Its transaction holds the old tables, so the swap waits for it and lets others pass meanwhile."""
    swapping, read_again = threading.Event(), threading.Event()

    def read_twice() -> tuple[str, int]:
        with worked.reading():
            status = UnitState.objects.get(unit_id=worked.unit.id).status
            read_again.set()
            assert swapping.wait(30)
            return status, DueSegment.objects.count()

    def others_pass() -> None:
        worked.upload(worked.exchanged())
        swapping.set()

    with worked.reading():
        segments = DueSegment.objects.count()
    with ThreadPoolExecutor(1) as pool:
        reading = pool.submit(apart, read_twice)
        assert read_again.wait(30)
        rebuilds.rebuild_all(when("swapping", others_pass))
        assert reading.result() == ("up", segments)

    assert rebuilds.check(worked.operator.id) == []


def test_no_event_is_missed_however_appends_and_swaps_meet(worked, south):
    ended = threading.Event()

    def append_on(cast: Cast) -> int:
        count = 0
        while not ended.is_set():
            at = clock.now() - timedelta(days=9, seconds=-count)
            (fate,) = cast.upload(cast.event("wick.checked", cast.unit, at, condition="good"))
            assert fate.fate == "accepted"
            count += 1
        return count

    south.upload(south.installed(at=clock.now() - timedelta(days=60)))
    with ThreadPoolExecutor(2) as pool:
        writing = [pool.submit(apart, lambda cast=cast: append_on(cast)) for cast in (worked, south)]
        for _ in range(4):
            rebuilds.rebuild_all()
        ended.set()
        counts = [one.result() for one in writing]

    assert min(counts) > 0
    assert rebuilds.check(worked.operator.id) == []
    assert rebuilds.check(south.operator.id) == []


def test_a_swap_waits_for_the_append_in_flight_and_others_go_on_meanwhile(worked, south, superuser):
    """The race: the append has read, the rebuild ends, the append commits. Here the rebuild can't end before it."""
    appended, may_commit, swapping = threading.Event(), threading.Event(), threading.Event()
    late = new_event(worked)

    def append_slowly() -> None:
        with tenancy.writing(worked.owner), connection.cursor() as cursor:
            log.lock_operator(cursor, worked.operator.id)
            appended.set()
            assert may_commit.wait(30)
            log.append([late])
            catch_up()

    def write_another() -> None:
        (fate,) = south.upload(south.installed())
        assert fate.fate == "accepted"
        swapping.set()

    live = "SELECT version FROM servicing_projectionversion WHERE state = 'live'"
    with ThreadPoolExecutor(2) as pool:
        slow = pool.submit(apart, append_slowly)
        assert appended.wait(30)
        before = superuser.execute(live).fetchone()
        rebuilding = pool.submit(apart, lambda: rebuilds.rebuild_all(when("swapping", write_another)))
        assert swapping.wait(30)
        assert superuser.execute(live).fetchone() == before
        may_commit.set()
        slow.result()
        rebuilt = rebuilding.result()

    assert superuser.execute(live).fetchone() == (rebuilt.version,)
    assert rebuilds.check(worked.operator.id) == []
    assert rebuilds.check(south.operator.id) == []


def test_what_comes_after_the_fill_is_there_after_the_swap(worked, superuser):
    born: list[Cast] = []

    def work_goes_on() -> None:
        worked.upload(worked.exchanged(), worked.event("unit.withdrawn", worked.units[1], reason="damaged"))
        born.append(new_cast("newborn"))
        born[0].upload(born[0].installed())

    rebuilds.rebuild_all(when("swapping", work_goes_on))

    assert rebuilds.check(worked.operator.id) == []
    assert rebuilds.check(born[0].operator.id) == []
    with worked.reading():
        assert UnitState.objects.get(unit_id=worked.units[1].id).status == "withdrawn"
    with born[0].reading():
        assert UnitState.objects.get().status == "up"


@pytest.mark.parametrize("everybody", [True, False])
def test_due_days_refreshed_while_it_fills_are_not_lost(worked, everybody):
    def change_the_agreement() -> None:
        customers.end_agreement(
            actor=worked.owner, agreement_id=worked.agreement.id, ends_on=date(2026, 9, 1)
        )
        # What other tests left owed is claimed as well, and left.
        own = [job for job in jobs.claim_due(1_000_000) if job.operator_id == worked.operator.id]
        owed = [job for job in own if job.kind == jobs.DUE_REFRESH]
        for job in owed:
            sweeps.refresh_due(job.operator_id, job.id)
        assert owed

    if everybody:
        rebuilds.rebuild_all(when("swapping", change_the_agreement))
    else:
        rebuilds.rebuild(worked.operator.id, when("writing what differs", change_the_agreement))

    assert rebuilds.check(worked.operator.id) == []
    with worked.reading():
        assert set(DueSegment.objects.values_list("ends_before", flat=True)) == {date(2026, 9, 1)}


def test_a_rebuild_that_dies_leaves_the_live_rows_and_the_next_one_clears_up(worked, superuser):
    def die(line: str) -> None:
        if line == "swapping":
            raise KeyboardInterrupt

    before = rows_of(superuser, worked)

    with pytest.raises(KeyboardInterrupt):
        rebuilds.rebuild_all(die)

    assert rows_of(superuser, worked) == before
    assert aside(superuser).keys() == EMPTY_ASIDE.keys()
    assert aside(superuser)["wickround_building.servicing_unitstate"] >= 3
    assert gaps(superuser) == []
    rebuilds.rebuild_all()
    assert aside(superuser) == EMPTY_ASIDE
    assert rebuilds.check(worked.operator.id) == []


def test_the_audit_holds_a_shadow_to_what_the_live_table_needs(worked, superuser):
    shadows.create()

    with superuser.transaction(force_rollback=True):
        superuser.execute("DROP POLICY app ON wickround_building.servicing_visit")
        superuser.execute(
            "ALTER TABLE wickround_building.servicing_report DROP CONSTRAINT servicing_report_site_id_operator"
        )
        superuser.execute("CREATE TABLE wickround_building.notes (text text)")
        superuser.execute("GRANT USAGE ON SCHEMA wickround_retired TO wickround_app")
        found = gaps(superuser)

    assert "wickround_building.servicing_visit: policy app is missing." in found
    assert (
        "wickround_building.servicing_report.site_id: no key (operator_id, site_id) to accounts_site (operator_id, id)."
        in found
    )
    assert "wickround_building.notes: neither isolated nor on the list of global tables." in found
    assert "Schema wickround_retired: wickround_app holds USAGE." in found


def test_a_second_rebuild_is_refused_while_one_runs(worked):
    refused: list[str] = []

    def rebuild_too() -> None:
        for attempt in (rebuilds.rebuild_all, lambda: rebuilds.rebuild(worked.operator.id)):
            with pytest.raises(Conflict) as refusal:
                attempt()
            refused.append(refusal.value.detail)

    rebuilds.rebuild_all(when("swapping", rebuild_too))

    assert refused == ["Another rebuild is running. Nothing was changed; wait until it has ended."] * 2


def test_patience_with_a_reader_that_never_ends_runs_out(worked, superuser, monkeypatch):
    monkeypatch.setattr(shadows, "PATIENCE_SECONDS", 0)
    before = rows_of(superuser, worked)

    def read_and_rebuild() -> None:
        with worked.reading():
            UnitState.objects.count()
            apart(rebuilds.rebuild_all)

    with pytest.raises(Busy, match="as they were"):
        read_and_rebuild()

    assert rows_of(superuser, worked) == before


def test_one_operators_rebuild_touches_only_rows_that_differ(worked, south, superuser):
    south.upload(south.installed())
    spoil(superuser, south)
    spoil(superuser, worked)
    own, others = rows_of(superuser, worked), rows_of(superuser, south)

    rebuilt = rebuilds.rebuild(worked.operator.id)

    after = rows_of(superuser, worked)
    assert rows_of(superuser, south) == others
    assert rebuilt.rows_changed == 2  # one out, one in
    assert len(set(own["servicing_unitstate"]) & set(after["servicing_unitstate"])) == 2
    assert {
        t: rows for t, rows in after.items() if t not in ("servicing_unitstate", "servicing_checkpoint")
    } == {t: rows for t, rows in own.items() if t not in ("servicing_unitstate", "servicing_checkpoint")}
    assert rebuilds.check(worked.operator.id) == []
    assert rebuilds.check(south.operator.id) != []
    rebuilds.rebuild(south.operator.id)
    assert rebuilds.check(south.operator.id) == []


def test_events_that_come_while_one_operator_is_rebuilt_are_kept(worked):
    rebuilds.rebuild(
        worked.operator.id, when("writing what differs", lambda: worked.upload(worked.exchanged()))
    )

    assert rebuilds.check(worked.operator.id) == []


def test_where_other_readers_of_the_log_stand_is_kept(worked, superuser):
    superuser.execute(
        "INSERT INTO servicing_checkpoint (operator_id, projection, position) VALUES (%s, 'elsewhere', 7)",
        [worked.operator.id],
    )

    rebuilds.rebuild_all()
    rebuilds.rebuild(worked.operator.id)

    kept = superuser.execute(
        "SELECT position FROM servicing_checkpoint WHERE operator_id = %s AND projection = 'elsewhere'",
        [worked.operator.id],
    ).fetchone()
    assert kept == (7,)
