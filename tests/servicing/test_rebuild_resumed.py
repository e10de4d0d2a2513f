"""A rebuild of everything says how far it is, can be cancelled, and is gone on with where it broke off."""

from __future__ import annotations

from datetime import timedelta

import psycopg
import pytest
from django.core.management import CommandError, call_command

from accounts import jobs
from accounts.errors import Conflict
from servicing.commands import rebuilds
from servicing.models import UnitState
from servicing.projections import rebuild_begun, rebuild_signs, rebuilding, shadows
from servicing.queries.rebuilds import rebuilding as told


@pytest.fixture
def two(north, south, monkeypatch):
    """Two operators with a unit at work each; a sign at each phrase."""
    monkeypatch.setattr(rebuild_signs, "SECONDS_BETWEEN_SIGNS", -1)
    for cast in (north, south):
        cast.upload(cast.installed(), cast.exchanged())
    return sorted((north, south), key=lambda cast: cast.operator.id)


def broken(at):
    """Says what a rebuild says, and breaks it off at a phrase."""
    said = []

    def say(phrase):
        said.append(phrase)
        if phrase.startswith(at):
            raise KeyboardInterrupt

    return said, say


def made_of(servers, cast):
    with psycopg.connect(servers.superuser_url) as connection:
        return connection.execute(
            f"SELECT count(*) FROM {shadows.BUILDING}.servicing_unitstate WHERE operator_id = %s",
            [cast.operator.id],
        ).fetchone()[0]


def building(servers):
    with psycopg.connect(servers.superuser_url) as connection:
        return connection.execute(
            "SELECT version FROM servicing_projectionversion WHERE state = 'building'"
        ).fetchall()


@pytest.fixture
def broken_off(two):
    """A rebuild that was stopped at the units of the second operator, with what the first had made."""
    second = two[1]
    # The phrase before the last of an operator's: its units are there, its checkpoint is not.
    said, say = broken(f"operator {second.operator.id}: due days")
    with pytest.raises(KeyboardInterrupt):
        rebuilds.rebuild_all(say)
    assert said
    return two


def test_one_that_broke_off_says_so_and_leaves_the_live_tables_alone(broken_off, servers):
    sign = told()
    assert (sign.state, sign.of >= 2, sign.done >= 1) == ("broken", True, True)
    assert sign.done < sign.of
    assert [made_of(servers, cast) for cast in broken_off] == [1, 1]
    for cast in broken_off:
        assert rebuilds.check(cast.operator.id) == []


def test_it_goes_on_where_it_was_and_gives_the_same_rows(broken_off, servers):
    first, second = broken_off
    version = building(servers)[0][0]
    # Work goes on meanwhile, at both.
    for cast in broken_off:
        cast.upload(cast.installed(cast.units[1], station=1))
    said = []
    rebuilt = rebuilds.rebuild_all(said.append, resume=True)
    assert rebuilt.version == version
    assert not [phrase for phrase in said if phrase.startswith(f"operator {first.operator.id}: ")]
    assert [phrase for phrase in said if phrase.startswith(f"operator {second.operator.id}: ")]
    for cast in broken_off:
        assert rebuilds.check(cast.operator.id) == []
        with cast.reading():
            assert UnitState.objects.count() == 2
    assert (told().state, told().done, told().version) == ("done", told().of, version)


def test_without_one_that_broke_off_there_is_nothing_to_go_on_with(two):
    rebuilds.rebuild_all()
    with pytest.raises(Conflict, match="Begin a new one"):
        rebuilds.rebuild_all(resume=True)
    assert told().state == "done"


def test_other_code_or_a_week_begins_anew(broken_off, monkeypatch, later):
    with monkeypatch.context() as patched:
        patched.setattr(rebuild_begun, "code_hash", lambda: "other")
        with pytest.raises(Conflict, match="other code"):
            rebuilds.rebuild_all(resume=True)
    later(days=7)
    with pytest.raises(Conflict, match="6 days"):
        rebuilds.rebuild_all(resume=True)
    later(days=-7)
    rebuilds.rebuild_all(resume=True)


def test_a_rebuild_of_one_operator_takes_the_place_of_one_that_broke_off(broken_off, servers):
    rebuilds.rebuild(broken_off[0].operator.id)
    assert building(servers) == []
    with pytest.raises(Conflict):
        rebuilds.rebuild_all(resume=True)


def test_one_that_runs_stops_when_it_is_asked_to(two, servers):
    asked = []

    def say(phrase):
        # As another process does it, while this one holds the lock.
        if phrase.startswith(f"operator {two[1].operator.id}: due days") and not asked:
            asked.append(building(servers)[0][0])
            rebuild_signs.ask_to_stop(asked[0])

    with pytest.raises(rebuild_signs.Cancelled):
        rebuilds.rebuild_all(say)
    assert told().state == "cancelled"
    assert building(servers) == []
    assert [made_of(servers, cast) for cast in two] == [0, 0]
    for cast in two:
        assert rebuilds.check(cast.operator.id) == []
    # What was asked of this one does not stop the next, which has the number that became free.
    assert rebuilds.rebuild_all().version == asked[0]


def test_cancelling_clears_away_what_a_broken_one_had_made(broken_off, servers, capsys):
    call_command("rebuild", "--cancel")
    assert "cancelled" in capsys.readouterr().out
    assert building(servers) == []
    assert [made_of(servers, cast) for cast in broken_off] == [0, 0]
    with pytest.raises(CommandError, match="none has broken off"):
        call_command("rebuild", "--cancel")


def test_the_command_says_how_to_go_on_and_goes_on(two, monkeypatch, capsys):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(rebuilding.making, "store_units", stopped)
        with pytest.raises(CommandError, match="--resume"):
            call_command("rebuild")
    call_command("rebuild", "--resume")
    assert "is live" in capsys.readouterr().out
    with pytest.raises(CommandError, match="leave --operator out"):
        call_command("rebuild", "--resume", "--operator", two[0].operator.slug)


def test_one_that_says_nothing_for_minutes_has_broken_off(two, monkeypatch):
    rebuilds.rebuild_all()
    sign = jobs.sign("rebuild")
    jobs.beat("rebuild", **(sign.figures | {"state": "running"}))
    assert told().state == "running"
    monkeypatch.setattr(jobs.signs.__globals__["clock"], "machine", lambda: sign.at + timedelta(seconds=400))
    assert told().state == "broken"
