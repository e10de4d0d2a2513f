"""A way to the server that ends the program which uses it, at a chosen request: before it, after it, or on its way back."""

from __future__ import annotations

import http.client
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import urlsplit

# Never sent, done but not answered, answered in part, and a moment after the answer, when the program writes it down.
MOMENTS = ("before", "unanswered", "in_part", "after")
_OWN_TO_A_CONNECTION = {"connection", "transfer-encoding", "keep-alive", "content-length", "date", "server"}


class Way:
    """Where the program is told that the server is. ``kill_at`` arms it for one process."""

    def __init__(self, address: str) -> None:
        self.target = urlsplit(address).netloc
        self.requests = 0
        self._lock = threading.Lock()
        self._armed: tuple[int, str, float] | None = None
        self.pid: int | None = None
        self.killed: str | None = None

    def arm(self, request: int, moment: str, delay: float) -> None:
        """End the process at its ``request``-th from now on; ``delay`` in seconds is for the moment after an answer."""
        with self._lock:
            self.requests, self.killed, self.pid = 0, None, None
            self._armed = (request, moment, delay)

    def disarm(self) -> None:
        with self._lock:
            self._armed = None

    def moment(self) -> tuple[str, float] | None:
        """What is to happen to the request that came in just now."""
        with self._lock:
            self.requests += 1
            if self._armed is None or self.requests != self._armed[0]:
                return None
            return self._armed[1:]

    def end_at(self, moment: str) -> None:
        while self.pid is None:  # it asks before it is known who it is
            time.sleep(0.001)
        self.killed = moment
        os.kill(self.pid, signal.SIGKILL)


@contextmanager
def opened(address: str) -> Iterator[tuple[Way, str]]:
    """A way to the server at ``address``, and its own address."""
    way = Way(address)

    class Handler(_Handler):
        pass

    Handler.way = way
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield way, f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    way: Way

    def do_GET(self) -> None:
        moment = self.way.moment()
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        if moment and moment[0] == "before":
            self._end(moment[0])
            return
        status, headers, answer = self._forward(body)
        if moment and moment[0] == "unanswered":
            self._end(moment[0])
            return
        self.send_response(status)
        for name, value in headers:
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        if moment and moment[0] == "in_part":
            self.wfile.write(answer[: len(answer) // 2])
            self.wfile.flush()
            self._end(moment[0])
            return
        self.wfile.write(answer)
        self.wfile.flush()
        if moment:
            time.sleep(moment[1])
            self._end(moment[0])

    do_POST = do_GET  # noqa: N815

    def _end(self, moment: str) -> None:
        self.way.end_at(moment)
        self.close_connection = True

    def _forward(self, body: bytes) -> tuple[int, list[tuple[str, str]], bytes]:
        connection = http.client.HTTPConnection(self.way.target, timeout=120)
        try:
            kept = {
                name: value
                for name, value in self.headers.items()
                if name.lower() not in {"connection", "host"}
            }
            connection.request(self.command, self.path, body or None, {**kept, "Host": self.way.target})
            answer = connection.getresponse()
            headers = [(n, v) for n, v in answer.getheaders() if n.lower() not in _OWN_TO_A_CONNECTION]
            return answer.status, headers, answer.read()
        finally:
            connection.close()

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
        """Nothing: the drill says what it found."""
