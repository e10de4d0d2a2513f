"""Start PostgreSQL on a home."""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Mapping
from pathlib import Path

import psycopg

from config.embedded.binaries import Programs, ServersError
from config.embedded.home import Home, make_private, write_private
from config.launch import spawn

ROLES_SQL = Path(__file__).resolve().parent.parent / "sql" / "roles.sql"
SETTINGS = {
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",  # no socket, so no limit on the length of a path
    "max_connections": "100",
    "password_encryption": "scram-sha-256",
    "timezone": "UTC",
    "log_timezone": "UTC",
    "jit": "off",
    "random_page_cost": "1.1",
    # A parallel plan needs /dev/shm, which is 64 MB in many containers.
    "max_parallel_workers_per_gather": "0",
}
DURABLE = {
    "fsync": "on",
    "synchronous_commit": "on",
    "full_page_writes": "on",
    "shared_buffers": "256MB",
    "max_wal_size": "2GB",
    "work_mem": "16MB",
    "maintenance_work_mem": "128MB",
    "log_lock_waits": "on",
}
FOR_TESTS = {
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "shared_buffers": "128MB",
    "max_wal_size": "1GB",
    "wal_level": "minimal",
    "max_wal_senders": "0",
}
# Only the wheel's own programs and libraries, no PG* variable of the person who started us.
SERVER_ENVIRONMENT = {"PATH": os.defpath, "LC_ALL": "C"}


def data_folder(home: Home) -> Path:
    return home.path / "postgres" / "data"


def is_replica(home: Home) -> bool:
    """Whether the data folder is one that follows another server."""
    return (data_folder(home) / "standby.signal").exists()


def is_restored(home: Home) -> bool:
    """Whether the data folder is a backup that is still to be brought on by an archive."""
    return (data_folder(home) / "recovery.signal").exists()


def start_postgres(
    home: Home, programs: Programs, *, port: int, durable: bool, further: Mapping[str, str]
) -> subprocess.Popen[bytes]:
    """Start on a data folder, made at the first start. Does not wait until it answers."""
    make_private(home.path / "postgres", programs.user)
    if not data_folder(home).exists():
        _make_cluster(home, programs, durable=durable)
    _clear_stale_pid(data_folder(home))
    settings = {**SETTINGS, **(DURABLE if durable else FOR_TESTS), **further, "port": str(port)}
    options = [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]
    with home.open_log("postgres") as log:
        return spawn(
            [programs.postgres, "-D", data_folder(home), *options],
            death_signal=signal.SIGINT,  # fast shutdown
            cwd=home.path,
            env=SERVER_ENVIRONMENT,
            output=log,
            user=programs.user,
        )


def _make_cluster(home: Home, programs: Programs, *, durable: bool) -> None:
    """Initdb beside the final place, then one rename: an interrupted one leaves nothing half made."""
    draft = home.path / "postgres" / "data.new"
    shutil.rmtree(draft, ignore_errors=True)
    password_file = home.path / "postgres" / "initdb-password"
    write_private(password_file, home.passwords()["superuser"], programs.user)
    command: list[str | Path] = [
        programs.initdb, "-D", draft, "--username=postgres", f"--pwfile={password_file}", "--auth=scram-sha-256",
        "--encoding=UTF8", "--locale-provider=builtin", "--builtin-locale=C.UTF-8", "--locale=C", "--no-instructions",
    ]  # fmt: skip
    if not durable:
        command.append("--no-sync")
    with home.open_log("initdb") as log:
        status = spawn(
            command,
            death_signal=signal.SIGKILL,
            cwd=home.path,
            env=SERVER_ENVIRONMENT,
            output=log,
            user=programs.user,
        ).wait()
    password_file.unlink()
    if status != 0:
        raise ServersError(
            f"PostgreSQL could not make its data folder; its last lines: {home.last_lines('initdb')}"
        )
    draft.rename(data_folder(home))


def _clear_stale_pid(data: Path, patience_seconds: float = 15) -> None:
    """A server of a killed run may still be closing: wait for it. A file that names any other process is stale."""
    pid_file = data / "postmaster.pid"
    deadline = time.monotonic() + patience_seconds
    while pid_file.exists():
        pid = int((pid_file.read_text().split() or ["0"])[0])
        if not _serves(pid, data):
            pid_file.unlink(missing_ok=True)
        elif time.monotonic() > deadline:
            raise ServersError(
                f"PostgreSQL process {pid} still uses {data}; end it with `kill -INT {pid}` and try again."
            )
        else:
            time.sleep(0.05)


def _serves(pid: int, data: Path) -> bool:
    try:
        return Path(f"/proc/{pid}/cwd").resolve(strict=True) == data.resolve()
    except OSError:
        return False


def answers(url: str) -> bool:
    """Whether the server takes this sign-in now."""
    try:
        psycopg.connect(url, connect_timeout=2).close()
    except psycopg.OperationalError:
        return False
    return True


def takes_writes(url: str) -> bool:
    """Whether the server takes this sign-in now and is done with recovering."""
    try:
        with psycopg.connect(url, connect_timeout=2) as connection:
            row = connection.execute("SELECT pg_is_in_recovery()").fetchone()
    except psycopg.OperationalError:
        return False
    return row == (False,)


def run_roles_script(
    programs: Programs, *, port: int, passwords: dict[str, str], database: str, template: str
) -> None:
    """Roles and `database` as config/sql/roles.sql says. Raises ServersError with psql's words."""
    environment = {
        **SERVER_ENVIRONMENT,
        "PGPASSWORD": passwords["superuser"],
        "WICKROUND_DATABASE": database,
        "WICKROUND_TEMPLATE": template,
        **{f"WICKROUND_{name.upper()}_PASSWORD": passwords[name] for name in ("migrate", "app", "system")},
    }
    arguments: list[str | Path] = [
        "-X",
        "-q",
        "-h",
        "127.0.0.1",
        "-p",
        str(port),
        "-U",
        "postgres",
        "-d",
        "postgres",
        "-f",
        ROLES_SQL,
    ]
    done = subprocess.run(  # noqa: S603 - the wheel's psql
        [programs.psql, *arguments], env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise ServersError(f"The roles and the database {database} could not be made: {done.stderr.strip()}")
