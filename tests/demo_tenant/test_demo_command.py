"""The demo as a person runs it: another process, databases of its own, a real worker."""

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from datetime import date

import psycopg
import pytest
from django.conf import settings

from config import embedded
from demo_tenant.hosting import NOTICE, Wanted, has_own_servers
from demo_tenant.operators import OPERATORS
from demo_tenant.story import tell_all
from demo_tenant.telling import PASSWORD
from tests.conftest import PRISTINE

AS_OF = date(2026, 11, 24)
TINY = ("--preset", "tiny", "--as-of", str(AS_OF))


def environment(servers, name, folder):
    return {
        **os.environ,
        **servers.environment(),
        "WICKROUND_REDIS_PREFIX": f"{name}:",
        "WICKROUND_RUN_FOLDER": str(folder),
        "WICKROUND_SECRET_KEY": "of-a-test-and-of-nothing-else-anywhere",
        "WICKROUND_HTTPS": "no",
        "WICKROUND_LOG_LEVEL": "WARNING",
        "WICKROUND_NOTICE": NOTICE,
    }


def demo(env, *arguments):
    command = [sys.executable, "manage.py", "demo", *arguments]
    return subprocess.run(
        command, cwd=settings.BASE_DIR, env=env, capture_output=True, text=True, timeout=300, check=False
    )


@pytest.fixture(scope="module")
def first(servers, tmp_path_factory):
    own = embedded.create_database(servers, "demo_first")
    env = environment(own, "demo_first", tmp_path_factory.mktemp("first"))
    ran = demo(env, *TINY, "--no-serve", "--json")
    assert ran.returncode == 0, ran.stderr
    yield own, env, json.loads(ran.stdout.splitlines()[-1])
    embedded.drop_database(servers, "demo_first")


@pytest.fixture
def ask(first):
    own, _, _ = first
    with psycopg.connect(own.superuser_url, autocommit=True) as connection:
        yield connection.execute


def test_the_demo_says_what_was_found_in_one_json_object(first):
    _, _, said = first
    assert (said["preset"], said["seed"], said["as_of"]) == ("tiny", "7", "2026-11-24")
    assert len(said["digest"]) == 64
    assert {one["name"] for one in said["operators"]} == {plan.legal_name for plan in OPERATORS}
    assert {one["currency"] for one in said["operators"]} == {"EUR", "GBP", "USD"}
    assert all(one["sites"] == 4 and one["units"] > 0 and one["invoices"] > 0 for one in said["operators"])
    assert set(said["operators"][0]) == {
        "name", "sites", "units", "events", "due", "past_grace", "wick_watch", "dry_soon", "invoices", "invoiced",
        "currency",
    }  # fmt: skip


def test_every_event_of_the_story_is_stored_once_and_nothing_else(ask):
    stories = tell_all("tiny", AS_OF)
    told = {record.id for story in stories for upload in story.uploads for _, record in upload.lines}
    told |= {action.record.id for story in stories for action in story.office}
    stored = [row[0] for row in ask("SELECT event_id FROM servicing_event").fetchall()]
    assert len(stored) == len(told)
    assert set(stored) == told


def test_events_are_received_at_the_played_time(ask):
    stories = tell_all("tiny", AS_OF)
    first_sent = {}
    for story in stories:
        for upload in story.uploads:
            for _, record in upload.lines:
                first_sent.setdefault(record.id, upload.received_at)
    stored = dict(
        ask("SELECT event_id, received_at FROM servicing_event WHERE actor_kind = 'device'").fetchall()
    )
    assert stored == first_sent


def test_each_whole_month_is_closed_and_a_late_counter_event_gives_a_credit(ask):
    months = ask("SELECT month, count(*) FROM billing_periodclose GROUP BY month ORDER BY month").fetchall()
    assert months == [(date(2026, 8, 1), 3), (date(2026, 9, 1), 3), (date(2026, 10, 1), 3)]
    credited = ask("SELECT count(DISTINCT operator_id) FROM billing_charge WHERE kind = 'credit'").fetchone()
    assert credited[0] >= 1


def test_the_sweeps_of_a_worker_are_done(ask):
    sweeps = ask(
        "SELECT done_at IS NOT NULL FROM accounts_job WHERE kind = 'servicing.tasks.sweep'"
    ).fetchall()
    assert len(sweeps) >= 3
    assert all(done for (done,) in sweeps)


def test_the_runtime_role_reads_which_world_it_is_and_cannot_change_it(first):
    own, _, said = first
    with psycopg.connect(own.database_url, autocommit=True) as connection:
        assert connection.execute("SELECT digest FROM demo_tenant_world").fetchone() == (said["digest"],)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute("UPDATE demo_tenant_world SET digest = ''")


def test_a_second_run_finds_the_world_and_does_not_play_again(first):
    _, env, said = first
    again = demo(env, "--preset", "tiny", "--no-serve", "--json")
    assert again.returncode == 0, again.stderr
    assert "Telling" not in again.stderr
    now = json.loads(again.stdout.splitlines()[-1])
    assert (now["digest"], now["as_of"], now["seconds"]) == (said["digest"], said["as_of"], said["seconds"])


def test_given_servers_that_hold_another_world_are_left_alone(first, ask):
    _, env, _ = first
    before = ask("SELECT count(*) FROM servicing_event").fetchone()
    other = demo(env, "--preset", "tiny", "--as-of", "2026-11-23", "--no-serve")
    assert other.returncode == 1
    assert "holds another world" in other.stderr
    assert ask("SELECT count(*) FROM servicing_event").fetchone() == before


def test_equal_seeds_give_equal_digests_in_another_database(first, database, tmp_path):
    _, _, said = first
    own = embedded.create_database(database, "demo_second", template=PRISTINE)
    ran = demo(environment(own, "demo_second", tmp_path), *TINY, "--no-serve", "--json")
    embedded.drop_database(database, "demo_second")
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout.splitlines()[-1])["digest"] == said["digest"]


def test_the_demo_serves_until_it_is_told_to_end(first, tmp_path):
    _, env, _ = first
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "manage.py", "demo", "--preset", "tiny", "--port", str(port)]
    words = (tmp_path / "words").open("w")
    with (
        words,
        subprocess.Popen(
            command, cwd=settings.BASE_DIR, env=env, stdout=subprocess.PIPE, stderr=words, text=True
        ) as served,
    ):
        said = []
        next(line for line in iter(served.stdout.readline, "") if said.append(line) or "Serving at" in line)
        address = f"http://127.0.0.1:{port}/"
        with pytest.raises(urllib.error.HTTPError) as missing:
            urllib.request.urlopen(f"{address}no-such-operator/lookout/", timeout=10)
        served.send_signal(signal.SIGTERM)
        assert served.wait(timeout=60) == 0
    assert missing.value.code == 404
    missing.value.close()
    assert PASSWORD in "".join(said)
    assert "/quarrow-basin/lots/QB-" in "".join(said)
    assert "/saltmere-coast/sites/SC-0001" in "".join(said)
    assert address in said[-1]
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(address, timeout=2)


def test_an_earlier_world_will_do_when_no_day_is_named():
    held = ("quick", "7", date(2026, 11, 20))
    assert Wanted("quick", "7", None).is_held_by(held)
    assert Wanted("quick", "7", date(2026, 11, 20)).is_held_by(held)
    assert not Wanted("quick", "7", AS_OF).is_held_by(held)
    assert not Wanted("quick", "8", None).is_held_by(held)
    assert not Wanted("tiny", "7", None).is_held_by(held)
    assert not Wanted("quick", "7", None).is_held_by(None)


def test_servers_are_started_unless_all_three_addresses_are_given():
    given = {"DATABASE_URL": "a", "DATABASE_SYSTEM_URL": "b", "DATABASE_MIGRATE_URL": "c"}
    assert has_own_servers(given)
    assert not has_own_servers({**given, "DATABASE_SYSTEM_URL": ""})
    assert not has_own_servers({})
