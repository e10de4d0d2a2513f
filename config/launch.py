"""Run a program that ends when the process that asked for it ends, even by SIGKILL.

`spawn` is the function; the file is also the small script that `spawn` runs, because a hook between fork and exec
is unsafe in a process with threads.
"""

import ctypes
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

PR_SET_PDEATHSIG = 1  # prctl(2)


def spawn(
    command: Sequence[str | Path],
    *,
    death_signal: int,
    cwd: Path,
    env: Mapping[str, str],
    output: int | IO[bytes],
    user: tuple[int, int] | None = None,
) -> subprocess.Popen[bytes]:
    """Start `command` in a session of its own; it receives `death_signal` when the calling thread ends.

    Call it from a thread that lives as long as the program is wanted (the main thread). `user` is (uid, gid) to drop to,
    possible for root only; `output` takes standard output and standard error.
    """
    uid, gid = user or (os.geteuid(), os.getegid())
    script = [sys.executable, "-I", "-S", __file__, os.getpid(), death_signal, uid, gid]
    return subprocess.Popen(  # noqa: S603 - the caller names the program
        [str(part) for part in (*script, *command)],
        cwd=cwd,
        env=dict(env),
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )


def main(arguments: Sequence[str]) -> None:
    """Drop to the user, tie this process to its parent, become the program."""
    parent, death_signal, uid, gid = (int(argument) for argument in arguments[:4])
    program = list(arguments[4:])
    if uid != os.geteuid():
        os.setgroups([])
        os.setgid(gid)
        os.setuid(uid)
    libc = ctypes.CDLL(None, use_errno=True)
    # After the change of user, which would clear it.
    if libc.prctl(PR_SET_PDEATHSIG, death_signal, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl(PR_SET_PDEATHSIG)")
    if os.getppid() != parent:  # it ended before the line above
        raise SystemExit(1)
    os.execv(program[0], program)  # noqa: S606 - no shell is the point


if __name__ == "__main__":
    main(sys.argv[1:])
