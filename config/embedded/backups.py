"""Backups of the embedded servers: an archive of the write-ahead log, a base backup, and a cluster restored from both.

The same settings and programs as docs/operations.md names for servers of your own; here they are for drills and tests.
"""

import json
import os
import shlex
import shutil
import subprocess
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

from config.embedded import Servers, postgres
from config.embedded.binaries import ServersError, find_programs
from config.embedded.home import make_home, make_private, write_private

# As in docker-compose.yml, where the folder is /wal. A segment that is there already is well only if it is the same one.
ARCHIVE = (
    "test -f {folder}/%f && cmp -s %p {folder}/%f || {{ test ! -f {folder}/%f && cp %p {folder}/%f.new"
    " && sync {folder}/%f.new && mv {folder}/%f.new {folder}/%f; }}"
)


def make_archive(folder: Path) -> Path:
    """An empty folder that the servers' user alone may write into."""
    make_private(folder, find_programs().user)
    return folder


def archiving(folder: Path, *, seconds: int) -> dict[str, str]:
    """Settings by which the write-ahead log is copied into `folder`, at the latest after so many seconds."""
    return {
        "archive_mode": "on",
        "archive_timeout": f"{seconds}s",
        "archive_command": ARCHIVE.format(folder=shlex.quote(str(folder))),
    }


def recovering(archive: Path, *, until: datetime | None = None) -> dict[str, str]:
    """Settings by which a restored cluster reads on from `archive`: to its end, or to an instant."""
    found = {
        "restore_command": f"cp {shlex.quote(str(archive))}/%f %p",
        "recovery_target_timeline": "latest",
        "recovery_target_action": "promote",
    }
    return found | ({"recovery_target_time": until.isoformat()} if until else {})


def back_up(servers: Servers, into: Path) -> None:
    """A base backup of the running cluster in a new folder, checked against its own list of checksums."""
    url = urlsplit(servers.superuser_url)._replace(path="/postgres").geturl()
    run_program(
        "pg_basebackup", f"--dbname={url}", f"--pgdata={into}", "--checkpoint=fast", "--wal-method=stream"
    )
    run_program("pg_verifybackup", "--quiet", str(into))


def bring_in(backup: Path, folder: Path, servers: Servers, *, signal: str = "recovery.signal") -> None:
    """Lay a copy of a backup under `folder`, for `start`, with the passwords that the servers had.

    `signal` is the file that says what it is to become: ``recovery.signal`` a server of its own, ``standby.signal`` one
    that follows another, and nothing one that goes on from the backup itself.
    """
    user = find_programs().user
    home = make_home(folder)
    write_private(home.path / "passwords.json", json.dumps(_passwords(servers)))
    make_private(home.path / "postgres", user)
    data = home.path / "postgres" / "data"
    shutil.copytree(backup, data)
    if signal:
        (data / signal).touch()
    data.chmod(0o700)
    if user is not None:
        for path in (data, *data.rglob("*")):
            os.chown(path, *user)
    (data / "postmaster.pid").unlink(missing_ok=True)


def run_program(name: str, *arguments: str, environment: Mapping[str, str] | None = None) -> str:
    """Run a client program of the wheel; its output. Raises ServersError with what it says."""
    done = subprocess.run(  # noqa: S603 - a program of the wheel
        [find_programs().psql.with_name(name), *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**postgres.SERVER_ENVIRONMENT, **(environment or {})},
    )
    if done.returncode != 0:
        raise ServersError(f"{name} ended with status {done.returncode}: {done.stderr.strip()}")
    return done.stdout


def _passwords(servers: Servers) -> dict[str, str]:
    urls = {
        "superuser": servers.superuser_url,
        "migrate": servers.database_migrate_url,
        "app": servers.database_url,
        "system": servers.database_system_url,
        "valkey": servers.redis_url,
    }
    return {name: urlsplit(url).password or "" for name, url in urls.items()}
