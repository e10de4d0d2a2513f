"""The embedded servers, started for real in a folder with a space and a long name."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from urllib.parse import urlsplit

import psycopg
import pytest
from redis import Redis
from redis.exceptions import AuthenticationError

from config import embedded

LOGIN_ROLES = ("wickround_app", "wickround_migrate", "wickround_system")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("a folder") / ("far below " * 12) / ("and further " * 12)


@pytest.fixture(scope="module")
def pair(folder: Path) -> Iterator[embedded.RunningServers]:
    with embedded.start(folder, durable=False, keep=False) as servers:
        yield servers


def _as(url: str, **parts: str) -> str:
    """The address with another user, password or database."""
    split = urlsplit(url)
    user = parts.get("user", split.username)
    password = parts.get("password", split.password)
    return f"postgresql://{user}:{password}@{split.hostname}:{split.port}/{parts.get('database', split.path[1:])}"


def _row(url: str, query: str, *values: object) -> tuple:
    with psycopg.connect(url) as connection:
        row = connection.execute(query, values).fetchone()
    assert row is not None
    return row


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"


def _wait_until_gone(*pids: int) -> list[int]:
    """Those still alive after a generous while."""
    deadline = time.monotonic() + 30
    while any(_alive(pid) for pid in pids) and time.monotonic() < deadline:
        time.sleep(0.05)
    return [pid for pid in pids if _alive(pid)]


def test_each_role_signs_in_and_has_no_power_over_row_security(pair):
    servers = pair.servers
    urls = (servers.database_url, servers.database_migrate_url, servers.database_system_url)
    found = [
        _row(
            url,
            "SELECT current_user, rolsuper, rolbypassrls, rolcreatedb, rolcreaterole, rolinherit "
            "FROM pg_roles WHERE rolname = current_user",
        )
        for url in urls
    ]
    assert sorted(row[0] for row in found) == sorted(LOGIN_ROLES)
    assert [row[1:5] for row in found] == [(False, False, False, False)] * 3


def test_the_owner_has_no_power_and_cannot_sign_in(pair):
    url = pair.servers.superuser_url
    assert _row(
        url, "SELECT rolsuper, rolbypassrls, rolcanlogin FROM pg_roles WHERE rolname = 'wickround_owner'"
    ) == (
        False,
        False,
        False,
    )
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("ALTER ROLE wickround_owner PASSWORD 'known'")
    with pytest.raises(psycopg.OperationalError, match="not permitted to log in"):
        psycopg.connect(_as(url, user="wickround_owner", password="known"))


def test_only_migrate_may_act_as_the_owner_and_only_when_it_says_so(pair):
    with psycopg.connect(pair.servers.database_migrate_url) as connection:
        with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
            connection.execute("CREATE TABLE public.made_by_migrate (id int)")
        connection.execute("SET ROLE wickround_owner")
        connection.execute("CREATE TABLE made_by_owner (id int)")
        owner = connection.execute(
            "SELECT tableowner FROM pg_tables WHERE tablename = 'made_by_owner'"
        ).fetchone()
        connection.rollback()
    assert owner == ("wickround_owner",)
    with psycopg.connect(pair.servers.database_url) as connection:
        with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
            connection.execute("SET ROLE wickround_owner")
        with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
            connection.execute("CREATE TABLE public.made_by_app (id int)")
        with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
            connection.execute("CREATE TEMPORARY TABLE made_by_app (id int)")


def test_a_wrong_password_is_refused_and_passwords_are_kept_as_scram(pair):
    url = pair.servers.database_url
    assert _row(url, "SELECT current_user") == ("wickround_app",)
    with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
        psycopg.connect(_as(url, password="wrong"))
    # RFC 5803 gives the form SCRAM-SHA-256$<iterations>:<salt>$<StoredKey>:<ServerKey>.
    verifiers = _row(
        pair.servers.superuser_url,
        "SELECT count(*), bool_and(rolpassword LIKE 'SCRAM-SHA-256$%%') FROM pg_authid WHERE rolname = ANY (%s)",
        [*LOGIN_ROLES, "postgres"],
    )
    assert verifiers == (4, True)


def test_nothing_may_sign_in_without_a_password(pair):
    methods = _row(
        pair.servers.superuser_url, "SELECT array_agg(DISTINCT auth_method) FROM pg_hba_file_rules"
    )
    assert methods == (["scram-sha-256"],)


def test_the_roles_have_no_business_in_the_other_databases(pair):
    with pytest.raises(psycopg.OperationalError, match="permission denied for database"):
        psycopg.connect(_as(pair.servers.database_url, database="postgres"))


def test_valkey_asks_for_its_password_and_never_evicts(pair):
    url = pair.servers.redis_url
    with Redis.from_url(url) as client:
        assert client.ping()
        assert client.config_get("maxmemory-policy") == {"maxmemory-policy": "noeviction"}
    with Redis(port=urlsplit(url).port) as stranger, pytest.raises(AuthenticationError):
        stranger.ping()


def test_text_is_utf_8_in_the_same_order_on_every_machine(pair):
    assert _row(
        pair.servers.database_url,
        "SELECT pg_encoding_to_char(encoding), datlocprovider::text, datlocale FROM pg_database "
        "WHERE datname = current_database()",
    ) == ("UTF8", "b", "C.UTF-8")
    assert _row(pair.servers.database_url, "SELECT 'Z' < 'a', upper('straße é')") == (True, "STRAßE É")


def test_the_extension_for_exclusion_constraints_is_there_and_no_other(pair):
    extensions = _row(
        pair.servers.database_url, "SELECT array_agg(extname::text ORDER BY extname) FROM pg_extension"
    )
    assert extensions == (["btree_gist", "plpgsql"],)


def test_another_database_is_a_copy_with_the_same_doors(pair):
    with psycopg.connect(pair.servers.database_migrate_url, options="-c role=wickround_owner") as connection:
        connection.execute("CREATE TABLE copied (id int)")
        connection.execute("GRANT SELECT ON copied TO wickround_app")
    copy = embedded.create_database(pair.servers, "a_copy", template="wickround")
    assert _row(copy.database_url, "SELECT current_database(), count(*) FROM copied") == ("a_copy", 0)
    with psycopg.connect(pair.servers.database_migrate_url, options="-c role=wickround_owner") as connection:
        connection.execute("DROP TABLE copied")
    embedded.drop_database(pair.servers, "a_copy")
    with pytest.raises(psycopg.OperationalError, match="does not exist"):
        psycopg.connect(copy.superuser_url)


def test_others_find_the_running_pair_and_cannot_start_a_second(pair, folder):
    assert embedded.running(folder) == pair.servers
    with pytest.raises(embedded.ServersError, match="already run"):
        embedded.start(folder)


def test_passwords_and_addresses_are_readable_by_the_starter_only(pair, folder):
    private = [
        folder / "servers" / name for name in ("passwords.json", "servers.json", "postgres.log", "valkey.log")
    ]
    assert [path.stat().st_mode & 0o777 for path in private] == [0o600] * 4
    passwords = [urlsplit(getattr(pair.servers, field.name)).password for field in fields(pair.servers)]
    assert len(set(passwords)) == 5


def test_rows_and_passwords_outlive_a_stop_and_no_process_does(tmp_path):
    with embedded.start(tmp_path, durable=True) as first:
        with psycopg.connect(
            first.servers.database_migrate_url, options="-c role=wickround_owner"
        ) as connection:
            connection.execute("CREATE TABLE kept (id int)")
            connection.execute("INSERT INTO kept VALUES (7)")
        settings = "SELECT current_setting('fsync'), current_setting('synchronous_commit'), current_setting('full_page_writes')"
        assert _row(first.servers.superuser_url, settings) == ("on", "on", "on")
        with Redis.from_url(first.servers.redis_url) as client:
            client.set("kept", "yes")
    assert _wait_until_gone(*first.pids) == []
    assert embedded.running(tmp_path) is None
    with embedded.start(tmp_path, keep=False) as second:
        assert _row(second.servers.superuser_url, "SELECT id FROM kept") == (7,)
        with Redis.from_url(second.servers.redis_url) as client:
            assert client.get("kept") == b"yes"
        passwords = [urlsplit(found.servers.database_url).password for found in (first, second)]
    assert passwords[0] == passwords[1]
    assert not (tmp_path / "servers").exists()


def test_the_servers_end_with_a_killed_starter_and_start_again(tmp_path):
    script = (
        "import sys, time; from pathlib import Path; from config import embedded\n"
        "pair = embedded.start(Path(sys.argv[1]), durable=False); print(*pair.pids, flush=True); time.sleep(600)"
    )
    starter = subprocess.Popen([sys.executable, "-c", script, tmp_path], stdout=subprocess.PIPE, text=True)
    assert starter.stdout is not None
    pids = [int(pid) for pid in starter.stdout.readline().split()]
    starter.stdout.close()
    starter.send_signal(signal.SIGKILL)
    starter.wait()
    with embedded.start(tmp_path, durable=False, keep=False) as again:
        assert _row(again.servers.database_url, "SELECT 1") == (1,)
    assert len(pids) == 2
    assert _wait_until_gone(*pids) == []


def test_a_stale_pid_file_that_names_another_process_does_not_stop_a_start(tmp_path):
    embedded.start(tmp_path, durable=False).stop()
    (tmp_path / "servers/postgres/data/postmaster.pid").write_text(f"{os.getpid()}\n")
    with embedded.start(tmp_path, durable=False, keep=False) as again:
        assert _row(again.servers.database_url, "SELECT 1") == (1,)


def test_a_port_in_use_is_named_in_one_sentence(pair, tmp_path):
    taken = urlsplit(pair.servers.database_url).port
    free = urlsplit(pair.servers.redis_url).port
    with pytest.raises(embedded.ServersError, match=f"^Port {taken} is already in use; choose another one"):
        embedded.start(tmp_path, keep=False, ports=(taken, free))
    assert not (tmp_path / "servers").exists()
