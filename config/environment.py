"""Build .venv from the two lock files: `python3 config/environment.py`, with nothing but a bare Python 3.11 to 3.13.

Does nothing when .venv already holds what the lock files say. Writes to standard error only.
"""

import hashlib
import importlib.util
import platform
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
VENV_PYTHON = VENV / "bin" / "python"
STAMP = VENV / "wickround-stamp"
LOG = ROOT / ".run" / "environment.log"
LOCKS = ("requirements.lock", "tests/requirements.lock")
OLDEST_GLIBC = (2, 28)
OLDEST_PYTHON, FIRST_UNTRIED_PYTHON = (3, 11), (3, 14)
STEP = 10  # packages a line of progress when the output is not a terminal


class EnvironmentProblem(Exception):
    """What is wrong and what to do, in one sentence."""


def say(text: str, *, end: str = "\n") -> None:
    sys.stderr.write(text + end)
    sys.stderr.flush()


def wanted_stamp() -> str:
    """Changes with the lock files and the place of the checkout (a moved .venv is broken), not with the Python:
    a .venv stays with the one that made it until it is removed.
    """
    digest = hashlib.sha256()
    for lock in LOCKS:
        digest.update((ROOT / lock).read_bytes())
    digest.update(str(VENV).encode())
    return digest.hexdigest()


def is_built(stamp: str) -> bool:
    return STAMP.is_file() and STAMP.read_text() == stamp and works(VENV_PYTHON, "import django, psycopg")


def works(python: Path, code: str) -> bool:
    try:
        return subprocess.run([python, "-c", code], capture_output=True, check=False).returncode == 0  # noqa: S603
    except OSError:
        return False


def check_machine() -> None:
    """Raises EnvironmentProblem for a machine this cannot run on."""
    if not OLDEST_PYTHON <= sys.version_info[:2] < FIRST_UNTRIED_PYTHON:
        raise EnvironmentProblem(
            f"Python {platform.python_version()} does not suit; install Python 3.11, 3.12 or 3.13 and run "
            "`make env PYTHON=python3.13` (or the one you have)."
        )
    libc, version = platform.libc_ver()
    if libc != "glibc" or tuple(int(part) for part in version.split(".")[:2]) < OLDEST_GLIBC:
        raise EnvironmentProblem(
            f"This machine has {libc or 'no glibc'} {version}".rstrip()
            + "; the packages need Linux with glibc 2.28 or later, for example Debian 10 or a later one."
        )
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        major, minor = sys.version_info[:2]
        raise EnvironmentProblem(
            f"Python's venv module is incomplete on this machine; install it (Debian and Ubuntu: "
            f"`apt-get install python{major}.{minor}-venv`) and run `make env` again."
        )


def make_venv() -> None:
    """A working .venv of this Python stays; anything else is made anew."""
    same = f"import sys, pip; sys.exit(sys.version != {sys.version!r} or sys.prefix != {str(VENV)!r})"
    if works(VENV_PYTHON, same):
        return
    say(f"Making .venv with Python {platform.python_version()}.")
    if VENV.exists():
        shutil.rmtree(VENV)
    command = [sys.executable, "-m", "venv", str(VENV)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    LOG.write_text(done.stdout + done.stderr)
    if done.returncode != 0:
        raise EnvironmentProblem(
            f"Python could not make .venv (its words are in {LOG.relative_to(ROOT)}); check that this folder can be "
            "written and that the venv module is installed, then run `make env` again."
        )


def packages_in_locks() -> int:
    names = {
        name.lower()
        for lock in LOCKS
        for name in re.findall(r"^([A-Za-z0-9._-]+)==", (ROOT / lock).read_text(), re.MULTILINE)
    }
    return len(names)


def install() -> None:
    """What the lock files say, each file checked by its hash. Raises EnvironmentProblem."""
    total = packages_in_locks()
    say(f"Installing up to {total} packages of the lock files into .venv; this takes a minute or two.")
    command = [
        str(VENV_PYTHON),
        "-m",
        "pip",
        "install",
        "--require-hashes",
        "--no-input",
        "--progress-bar=off",
    ]
    command += ["--disable-pip-version-check", "--only-binary=:all:"]
    for lock in LOCKS:
        command += ["-r", str(ROOT / lock)]
    with LOG.open("w") as log:
        pip = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)  # noqa: S603
        assert pip.stdout is not None
        show_progress(copied_to(log, pip.stdout), total)
        status = pip.wait()
    if status != 0:
        raise EnvironmentProblem(install_problem(LOG.read_text()))


def copied_to(log: IO[str], lines: IO[str]) -> Iterator[str]:
    for line in lines:
        log.write(line)
        yield line


def show_progress(lines: Iterator[str], total: int) -> None:
    terminal = sys.stderr.isatty()
    fetched = 0
    for line in lines:
        if line.startswith(("Collecting ", "Processing ")):
            fetched += 1
            if terminal:
                say(f"\r  {fetched} of {total}: {line.split()[1].rpartition('/')[2]:<50.50}", end="")
            elif fetched % STEP == 0:
                say(f"  {fetched} of {total}")
        if line.startswith("Installing collected packages"):
            say(("\r" if terminal else "") + f"  {'unpacking them':<60}")


def install_problem(output: str) -> str:
    """One sentence from pip's words."""
    where = f"(pip's words are in {LOG.relative_to(ROOT)})"
    if "DO NOT MATCH THE HASHES" in output:
        return f"A package is not the one the lock files name {where}; use another package index or network and run `make env` again."
    if "No space left" in output:
        return f"The disk is full {where}; make about 1.2 GB free and run `make env` again."
    if re.search(
        r"connection|resolution|timed? ?out|Retrying|SSL|ProxyError|No matching distribution",
        output,
        re.IGNORECASE,
    ):
        return f"The packages could not be fetched {where}; check the network and pip's index and proxy settings, then run `make env` again."
    return f"The packages could not be installed {where}; remove .venv and run `make env` again."


def main() -> int:
    """0 when .venv is as the lock files say."""
    try:
        check_machine()
        stamp = wanted_stamp()
        if is_built(stamp):
            return 0
        LOG.parent.mkdir(exist_ok=True)
        STAMP.unlink(missing_ok=True)
        make_venv()
        install()
        STAMP.write_text(stamp)
        say(".venv is ready.")
    except EnvironmentProblem as problem:
        say(str(problem))
        return 1
    except OSError as error:
        say(
            f"The environment could not be built: {error}; check that this folder can be written and the disk has room."
        )
        return 1
    except KeyboardInterrupt:
        say("\nStopped; run `make env` again to go on.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
