"""Start Valkey on a home."""

import signal
import socket
import subprocess

from config.embedded.binaries import Programs
from config.embedded.home import Home, make_private, write_private
from config.embedded.postgres import SERVER_ENVIRONMENT
from config.launch import spawn


def start_valkey(home: Home, programs: Programs, *, port: int, durable: bool) -> subprocess.Popen[bytes]:
    """Start with an append-only file. Does not wait until it answers."""
    folder = home.path / "valkey"
    make_private(folder, programs.user)
    # A file, because arguments are visible to every user of the machine.
    settings = f"""\
bind 127.0.0.1
port {port}
requirepass {home.passwords()["valkey"]}
dir .
save ""
appendonly {"yes" if durable else "no"}
appendfsync everysec
maxmemory-policy noeviction
"""
    write_private(folder / "valkey.conf", settings, programs.user)
    with home.open_log("valkey") as log:
        return spawn(
            [programs.valkey, "valkey.conf"],
            death_signal=signal.SIGTERM,
            cwd=folder,
            env=SERVER_ENVIRONMENT,
            output=log,
            user=programs.user,
        )


def answers(port: int, password: str) -> bool:
    """Whether the server takes this password and has loaded its file."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=2) as connection:
            connection.sendall(f"AUTH {password}\r\nPING\r\n".encode())
            reply = b""
            while reply.count(b"\r\n") < 2:  # noqa: PLR2004 - one line a command
                part = connection.recv(1024)
                if not part:
                    return False
                reply += part
    except OSError:
        return False
    return reply == b"+OK\r\n+PONG\r\n"
