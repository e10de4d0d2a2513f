"""The demo's supervisor on small programs of our own."""

import os
import signal
import socket
import sys
import threading
import time
from pathlib import Path

import pytest

from config import supervisor
from config.supervisor import NotServingError, Part, Supervisor

FOR_EVER = (
    "import os, time; print(os.getpid(), file=open(os.environ['PIDS'], 'a'), flush=True); time.sleep(600)"
)
DEAF = f"import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); {FOR_EVER}"


@pytest.fixture
def pids(tmp_path: Path) -> Path:
    path = tmp_path / "pids"
    path.touch()
    return path


def _read(pids: Path, count: int) -> list[int]:
    """The first `count` process numbers, waiting for them."""
    deadline = time.monotonic() + 30
    while len(pids.read_text().split()) < count and time.monotonic() < deadline:
        time.sleep(0.05)
    return [int(pid) for pid in pids.read_text().split()]


def _later(action, *arguments) -> None:
    threading.Thread(target=action, args=arguments, daemon=True).start()


def _kill_the_first_then_interrupt(pids: Path) -> None:
    os.kill(_read(pids, 1)[0], signal.SIGKILL)
    _read(pids, 2)
    os.kill(os.getpid(), signal.SIGINT)


def test_what_is_killed_starts_again_and_ctrl_c_ends_it(pids, capsys):
    _later(_kill_the_first_then_interrupt, pids)
    with Supervisor({"PIDS": str(pids)}) as running:
        running.start(Part("sleeper", [sys.executable, "-c", FOR_EVER]))
        running.watch()
    first, second = _read(pids, 2)
    assert first != second
    assert not Path(f"/proc/{first}").exists()
    assert not Path(f"/proc/{second}").exists()
    assert "sleeper | ended with status -9; starts again in 1 s" in capsys.readouterr().err


def test_a_program_deaf_to_sigterm_ends_too(pids, monkeypatch):
    monkeypatch.setattr(supervisor, "STOP_SECONDS", 0.2)
    with Supervisor({"PIDS": str(pids)}) as running:
        running.start(Part("deaf", [sys.executable, "-c", DEAF]))
        (pid,) = _read(pids, 1)
    assert not Path(f"/proc/{pid}").exists()


def test_a_port_in_use_is_named_with_the_way_out():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(NotServingError, match=rf"^Port {port} is already in use; .* PORT={port + 1}`\.$"):
            supervisor.require_free_port(port)
    supervisor.require_free_port(port)


def test_a_web_server_that_ends_at_its_start_is_reported():
    with Supervisor({}) as running, socket.socket() as bound_but_deaf:
        bound_but_deaf.bind(("127.0.0.1", 0))
        running.start(Part("web", [sys.executable, "-c", "raise SystemExit(3)"]))
        with pytest.raises(NotServingError, match="ended at its start"):
            running.wait_for_web(bound_but_deaf.getsockname()[1])
