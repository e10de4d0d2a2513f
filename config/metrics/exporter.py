"""The address of a worker's counts: it serves nothing else, so it has a small server of its own."""

from __future__ import annotations

import atexit
import threading
from collections.abc import Callable, Iterable
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from config.metrics import counting
from config.metrics.writing import TYPE, is_let_in, written


class _Quiet(WSGIRequestHandler):
    """Whoever reads figures does so every few seconds: no line of each."""

    def log_message(self, *_said: Any) -> None:
        """Nothing."""


class _Server:
    running: WSGIServer | None = None


def serve(port: int, host: str = "") -> WSGIServer:
    """Count for this process's children, and answer at ``/metrics`` on this port until the process ends. Once a process."""
    if _Server.running is None:
        counting.share()
        atexit.register(counting.unshare)
        _Server.running = make_server(host, port, _answer, handler_class=_Quiet)
        threading.Thread(target=_Server.running.serve_forever, name="metrics", daemon=True).start()
    return _Server.running


def _answer(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
    if environ.get("PATH_INFO") != "/metrics" or not is_let_in(environ.get("HTTP_AUTHORIZATION", "")):
        start("404 Not Found", [("Content-Type", "text/plain")])
        return [b"There is nothing here.\n"]
    start("200 OK", [("Content-Type", TYPE)])
    return [written(counting.counted())]
