"""The folder of one pair of servers: data, logs, passwords, and who runs them."""

import fcntl
import json
import os
import secrets
import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from config.embedded.binaries import OWN_PLACE, ServersError

LONGEST_PATH = 600  # characters; the servers' own limits begin near 1,000
LEFT_OVER = "left-over-when-not-locked"
PASSWORDS_OF = ("superuser", "migrate", "app", "system", "valkey")


@dataclass
class Home:
    """`link` is the name `servers` in the caller's folder; `path` is the folder itself, elsewhere when we are root."""

    link: Path
    path: Path
    _lock: IO[str] | None = field(default=None)

    @property
    def state(self) -> Path:
        return self.path / "servers.json"

    def passwords(self) -> dict[str, str]:
        """Drawn once, readable by the starting user only."""
        path = self.path / "passwords.json"
        if not path.exists():
            drawn = {name: secrets.token_hex(24) for name in PASSWORDS_OF}
            write_private(path, json.dumps(drawn))
        passwords: dict[str, str] = json.loads(path.read_text())
        return passwords

    def take(self, *, keep: bool) -> None:
        """One starter at a time; the lock goes with our process. Raises ServersError when another holds it.

        `keep=False` marks the folder as left over once nobody holds the lock.
        """
        lock = (self.path / "lock").open("a")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            lock.close()
            raise ServersError(
                f"The servers of {self.link.parent} already run, started by another process; stop that one first."
            ) from error
        self._lock = lock
        if not keep:
            (self.path / LEFT_OVER).touch()

    def leave(self, *, remove: bool) -> None:
        """Give the lock back, and remove everything first if asked to."""
        if remove:
            # Another run that starts now may take it for left over and remove it at the same time.
            with suppress(FileNotFoundError):
                shutil.rmtree(self.path, ignore_errors=True)
            if self.link.is_symlink():
                self.link.unlink(missing_ok=True)
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def open_log(self, name: str) -> IO[bytes]:
        """A fresh log; the one of the run before is kept beside it."""
        path = self.log(name)
        if path.exists():
            path.replace(path.with_suffix(".log.1"))
        # Private: after an error the server writes the statement, which may hold a password.
        return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb")

    def log(self, name: str) -> Path:
        return self.path / f"{name}.log"

    def last_lines(self, name: str, count: int = 5) -> str:
        return " | ".join(self.log(name).read_text(errors="replace").splitlines()[-count:])


def find_home(folder: Path) -> Home | None:
    """The home that `folder` points to, if there is one."""
    link = folder.absolute() / "servers"
    if not link.exists():
        return None
    path = link.resolve()
    if path.stat().st_uid != os.geteuid():
        raise ServersError(
            f"{path} belongs to another user; remove {link} to begin anew, or run this as that user."
        )
    return Home(link, path)


def make_home(folder: Path) -> Home:
    """The home of `folder`, made if missing.

    As root the servers run as somebody who may not be able to reach `folder`, so their home is a folder of its own under
    /var/tmp and `folder` gets a link to it; no folder above either is touched.
    """
    found = find_home(folder)
    if found is not None:
        return found
    folder.mkdir(parents=True, exist_ok=True)
    link = folder.absolute() / "servers"
    if os.geteuid() != 0 and len(str(link)) <= LONGEST_PATH:
        link.mkdir(mode=0o700)
        return Home(link, link)
    if link.is_symlink():  # its target is gone
        link.unlink()
    path = Path(tempfile.mkdtemp(prefix="wickround-", dir=OWN_PLACE))
    path.chmod(0o711)
    link.symlink_to(path)
    return Home(link, path)


def remove_left_over() -> None:
    """Remove what tests left under /var/tmp when they were killed."""
    for path in OWN_PLACE.glob("wickround-*"):
        try:
            if path.is_symlink() or path.stat().st_uid != os.geteuid() or not (path / LEFT_OVER).exists():
                continue
            with (path / "lock").open("a") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                # A server that is just ending may still write here; the next run removes the rest.
                shutil.rmtree(path, ignore_errors=True)
        except (FileNotFoundError, BlockingIOError):  # another run is removing it, or it is in use
            continue


def write_private(path: Path, text: str, user: tuple[int, int] | None = None) -> None:
    """Write a file that only its owner can read, whole or not at all."""
    draft = path.with_name(path.name + ".new")
    draft.unlink(missing_ok=True)
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w") as file:
        file.write(text)
    if user is not None:
        os.chown(draft, *user)
    draft.replace(path)


def make_private(path: Path, user: tuple[int, int] | None) -> None:
    """A folder for the servers' user alone."""
    if not path.exists():
        path.mkdir(mode=0o700)
        if user is not None:
            os.chown(path, *user)
