"""Receivers of webhooks on this machine: real TLS, certificates of an authority of the test's own, and any manners."""

from __future__ import annotations

import contextlib
import socket
import socketserver
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import trustme

NAME = "receiver.test"
Behave = Callable[[Any, "Received"], None]


@dataclass(frozen=True)
class Received:
    """One request as it came."""

    line: str
    headers: dict[str, str]
    body: bytes


class Authority:
    """Who certifies receivers; ``file`` is what their senders are to trust."""

    def __init__(self, folder: Path) -> None:
        self._made = trustme.CA()
        self.file = folder / "authority.pem"
        self._made.cert_pem.write_to_path(self.file)

    def context(self, *names: str) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._made.issue_cert(*names).configure_cert(context)
        return context


def answering(status: str = "204 No Content", *headers: str, body: bytes = b"") -> Behave:
    lines = [f"HTTP/1.1 {status}", *headers, f"Content-Length: {len(body)}", "Connection: close", "", ""]

    def behave(connection: Any, _received: Received) -> None:
        connection.sendall("\r\n".join(lines).encode() + body)

    return behave


class Receiver(socketserver.ThreadingTCPServer):
    """Takes connections on an address of this machine and behaves as it is told to.

    ``at_once``: what it does with the plain connection instead of any TLS. ``connections`` counts all that came.
    """

    daemon_threads = True
    block_on_close = False
    allow_reuse_address = True
    request_queue_size = 128

    def __init__(self, context: ssl.SSLContext | None, host: str = "127.0.0.1", port: int = 0) -> None:
        self.address_family = socket.AF_INET6 if ":" in host else socket.AF_INET
        super().__init__((host, port), Handler)
        self.context = context
        self.behave: Behave = answering()
        self.at_once: Callable[[socket.socket], None] | None = None
        self.connections = 0
        self.received: list[Received] = []
        self.names: list[str | None] = []
        self.over = threading.Event()
        if context is not None:
            context.sni_callback = lambda _socket, name, _context: self.names.append(name)

    @property
    def port(self) -> int:
        return int(self.server_address[1])

    @property
    def place(self) -> str:
        return f"{NAME}:{self.port}"

    def process_request(self, request: Any, client_address: Any) -> None:
        self.connections += 1
        super().process_request(request, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Senders hang up on those that behave badly, which is what they are for."""


class Handler(socketserver.BaseRequestHandler):
    def handle(self) -> None:
        server: Any = self.server
        if server.at_once is not None:
            server.at_once(self.request)
        elif server.context is not None:
            with server.context.wrap_socket(self.request, server_side=True) as tls:
                received = read_request(tls)
                server.received.append(received)
                server.behave(tls, received)
                with contextlib.suppress(OSError):
                    tls.unwrap()


def read_request(connection: Any) -> Received:
    got = b""
    while b"\r\n\r\n" not in got:
        got += _more(connection)
    head, _, body = got.partition(b"\r\n\r\n")
    line, *rest = head.decode().split("\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (one.partition(":") for one in rest)}
    while len(body) < int(headers.get("content-length", 0)):
        body += _more(connection)
    return Received(line, headers, body)


def _more(connection: Any) -> bytes:
    piece: bytes = connection.recv(65_536)
    if not piece:
        raise ConnectionError
    return piece


@contextmanager
def receiving(context: ssl.SSLContext | None, host: str = "127.0.0.1", port: int = 0) -> Iterator[Receiver]:
    """A receiver that listens for as long as the block lasts."""
    with Receiver(context, host, port) as receiver:
        thread = threading.Thread(target=receiver.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        try:
            yield receiver
        finally:
            receiver.over.set()
            receiver.shutdown()
            thread.join()
