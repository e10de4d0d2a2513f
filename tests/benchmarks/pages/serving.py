"""The product's own server for benchmarks, in a thread: what a page costs over HTTP, to the first byte of its answer."""

from __future__ import annotations

import http.client
import logging
import re
import time
from typing import Any

from django.test.testcases import LiveServerThread, QuietWSGIRequestHandler

# On plain HTTP, as in a trial.
PLAIN = {
    "SECURE_SSL_REDIRECT": False,
    "SESSION_COOKIE_SECURE": False,
    "CSRF_COOKIE_SECURE": False,
    "SESSION_COOKIE_NAME": "sid",
    "CSRF_COOKIE_NAME": "csrf",
    "ALLOWED_HOSTS": ["127.0.0.1"],
}

# The product serves its own files.
_own_files: Any = lambda handler: handler  # noqa: E731


class Server:
    """Its port, while it runs; its line a request goes to nobody."""

    def __enter__(self) -> int:
        logging.getLogger("wickround.requests").setLevel(logging.WARNING)
        # As gunicorn does: else an answer waits for the receipt of its head.
        QuietWSGIRequestHandler.disable_nagle_algorithm = True
        self._thread = LiveServerThread("127.0.0.1", _own_files)
        self._thread.daemon = True
        self._thread.start()
        self._thread.is_ready.wait()
        if self._thread.error:
            raise self._thread.error
        return self._thread.port

    def __exit__(self, *_: object) -> None:
        self._thread.terminate()


def get(server: http.client.HTTPConnection, path: str, headers: dict[str, str]) -> tuple[int, bytes, float]:
    """Status, body, and when the answer's first byte was there."""
    server.request("GET", path, headers=headers)
    answer = server.getresponse()
    first = time.perf_counter()
    return answer.status, answer.read(), first


def sites_of(page: str) -> list[tuple[str, str]]:
    """The lookout's rows: each site's code with its dry unit-days, "" for none."""
    return re.findall(
        r'data-site="([^"]+)".*?</td>\s*<td role="cell" class="n wide">(\d*)</td>', page, re.DOTALL
    )
