"""One attempt on the wire: a signed POST over TLS to an address that was looked at before it was connected to.

The receiver's name is looked up once, each address found is vetted, and the connection goes to one of exactly these: a name
that leads elsewhere a moment later changes nothing. Nothing is redirected, no proxy of the environment is used, and a
receiver that takes its time, byte by byte even, costs no more than ten seconds.
"""

from __future__ import annotations

import contextlib
import ipaddress
import queue
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC
from email.utils import parsedate_to_datetime
from functools import lru_cache

from django.conf import settings

from accounts import clock
from billing.rules.webhooks import addresses
from billing.rules.webhooks.addresses import Place
from billing.rules.webhooks.outcomes import CONNECT_SECONDS, TOTAL_SECONDS

MOST_READ_BYTES = 64 * 1024
# The answer is its status. What follows is read for so long only, so that the receiver ends in good order.
DRAIN_MILLISECONDS = 500
MOST_TRIED = 4
PIECE_BYTES = 16 * 1024
USER_AGENT = "Wickround-Webhooks/1"

STATUS_LINE = re.compile(rb"HTTP/1\.[01] ([1-5][0-9]{2})(?: [^\r\n]*)?")
END_OF_HEAD = re.compile(rb"\r?\n\r?\n")
SWITCHING, OK, REDIRECTION, CLIENT_ERROR, GONE = 101, 200, 300, 400, 410

# From a host in ASCII to its addresses, as text. Raises OSError.
Resolve = Callable[[str], Sequence[str]]


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of an attempt: a word of ``WebhookAttempt.OUTCOMES``, and a code of ``outcomes.SENTENCES``.

    ``status`` is None where no answer was read; ``retry_after``: the seconds that the receiver asks to be left alone.
    Nothing else of an answer is kept.
    """

    outcome: str
    detail: str = ""
    status: int | None = None
    retry_after: int | None = None
    milliseconds: int = 0


class _Fault(Exception):
    """The attempt ends here: outcome and detail."""

    def __init__(self, outcome: str, detail: str) -> None:
        super().__init__(outcome, detail)
        self.outcome, self.detail = outcome, detail


@dataclass(frozen=True, slots=True)
class _Until:
    """A moment of the machine's steady clock, in milliseconds, and what it means to pass it."""

    at: int
    detail: str

    def left(self) -> int:
        """Milliseconds left, at least one; a fault when there are none."""
        left = self.at - _steady()
        if left <= 0:
            raise _Fault("timed_out", self.detail)
        return left


def _steady() -> int:
    return time.monotonic_ns() // 1_000_000


def resolved(host: str) -> list[str]:
    """All addresses of a host by the machine's resolver, each once."""
    found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP)
    return list(dict.fromkeys(str(one[4][0]) for one in found))


def trials() -> frozenset[tuple[str, int]]:
    """Hosts and ports that may be inside the network: trials on one machine. None in production."""
    return addresses.trials_of(settings.WEBHOOK_ALLOW)


def post(url: str, headers: Mapping[str, str], body: bytes, *, resolve: Resolve = resolved) -> Answer:
    """POST a body and say what came of it. Never raises for anything that a receiver or its network does.

    Runs outside any transaction: it may take ten seconds.
    """
    began = _steady()
    try:
        answer = _post(url, headers, body, resolve, began)
    except _Fault as fault:
        answer = Answer(fault.outcome, fault.detail)
    return replace(answer, milliseconds=_steady() - began)


def _post(url: str, headers: Mapping[str, str], body: bytes, resolve: Resolve, began: int) -> Answer:
    try:
        place = addresses.vet(url, trials=trials())
    except addresses.Unfit:
        raise _Fault("forbidden_address", "address") from None
    whole = _Until(began + TOTAL_SECONDS * 1_000, "answer-timeout")
    until = _Until(began + CONNECT_SECONDS * 1_000, "name-timeout")
    pinned = _vetted(place, _looked_up(place, resolve, until))
    until = _Until(began + CONNECT_SECONDS * 1_000, "connect-timeout")
    with _connected(pinned, place.port, until) as plain, _encrypted(plain, place, whole) as tls:
        _send(tls, _request(place, headers, body), whole)
        status, head = _read_answer(tls, whole)
    return _judged(status, head)


def _judged(status: int, head: Mapping[str, str]) -> Answer:
    if OK <= status < REDIRECTION:
        return Answer("delivered", status=status)
    retry_after = _seconds(head.get("retry-after", ""))
    if status == GONE:
        return Answer("gone", "gone", status, retry_after)
    detail = "redirect" if REDIRECTION <= status < CLIENT_ERROR else "status"
    return Answer("refused", detail, status, retry_after)


def _seconds(value: str) -> int | None:
    """``Retry-After`` (RFC 9110 section 10.2.3) as seconds from now; None where it is neither seconds nor a date."""
    if re.fullmatch(r"[0-9]{1,9}", value):
        return int(value)
    try:
        at = parsedate_to_datetime(value)
    except (ValueError, OverflowError):
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return max(0, round((at - clock.machine()).total_seconds()))


# Where to


def _looked_up(place: Place, resolve: Resolve, until: _Until) -> Sequence[str]:
    """The addresses of a place. The system's resolver knows no deadline, so it is waited for from outside."""
    with contextlib.suppress(ValueError):
        return [str(ipaddress.ip_address(place.host))]
    found: queue.SimpleQueue[Sequence[str] | Exception] = queue.SimpleQueue()

    def ask() -> None:
        try:
            found.put(resolve(place.host))
        except Exception as fault:  # noqa: BLE001 - told to whom waits
            found.put(fault)

    threading.Thread(target=ask, name="webhook-name", daemon=True).start()
    try:
        answer = found.get(timeout=until.left() / 1_000)
    except queue.Empty:
        raise _Fault("timed_out", until.detail) from None
    if isinstance(answer, OSError | UnicodeError) or not answer:
        raise _Fault("unreachable", "unknown-name")
    if isinstance(answer, Exception):
        raise answer
    return answer


def _vetted(place: Place, found: Sequence[str]) -> Sequence[str]:
    """The addresses, if each of them is one of the internet. One that is not condemns the name: it was put there."""
    if not place.is_trial and not all(addresses.allowed(one) for one in found):
        raise _Fault("forbidden_address", "inner-address")
    return found[:MOST_TRIED]


def _connected(pinned: Sequence[str], port: int, until: _Until) -> socket.socket:
    """A connection to the first of the addresses that takes one; each gets its share of the time."""
    fault: _Fault | None = None
    for untried, one in zip(range(len(pinned), 0, -1), pinned, strict=True):
        is_v6 = ipaddress.ip_address(one).version == 6  # noqa: PLR2004
        try:
            made = socket.socket(socket.AF_INET6 if is_v6 else socket.AF_INET, socket.SOCK_STREAM)
        except OSError:  # a machine without this kind of address
            fault = _Fault("unreachable", "no-way")
            continue
        try:
            made.settimeout(until.left() / untried / 1_000)
            made.connect((one, port))
        except TimeoutError:
            fault = _Fault("timed_out", until.detail)
        except ConnectionRefusedError:
            fault = _Fault("unreachable", "closed")
        except ConnectionError:
            fault = _Fault("unreachable", "reset")
        except OSError:
            fault = _Fault("unreachable", "no-way")
        else:
            return made
        made.close()
    raise fault or _Fault("unreachable", "unknown-name")


@lru_cache(maxsize=4)
def _trust(extra: str) -> ssl.SSLContext:
    """Whom to believe: the machine's authorities, and those of one more file. Made once: it reads them all."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # checks the certificate, and the name in it
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_alpn_protocols(["http/1.1"])
    context.load_default_certs(ssl.Purpose.SERVER_AUTH)
    if extra:
        context.load_verify_locations(cafile=extra)
    return context


def _encrypted(plain: socket.socket, place: Place, until: _Until) -> ssl.SSLSocket:
    """TLS with the receiver, whose certificate must be for the name in the address."""
    try:
        tls = _trust(settings.WEBHOOK_TRUST).wrap_socket(
            plain, server_hostname=place.host, do_handshake_on_connect=False
        )
    except OSError:  # hung up already
        raise _Fault("unreachable", "reset") from None
    try:
        tls.settimeout(until.left() / 1_000)
        tls.do_handshake()
    except (OSError, _Fault) as fault:
        tls.close()
        raise _read_as(fault, until) from None
    return tls


def _read_as(fault: OSError | _Fault, until: _Until) -> _Fault:
    """A fault of the connection in our words."""
    if isinstance(fault, _Fault):
        return fault
    if isinstance(fault, TimeoutError):
        return _Fault("timed_out", until.detail)
    if isinstance(fault, ssl.SSLCertVerificationError):
        return _Fault("unreachable", "certificate")
    if isinstance(fault, ssl.SSLError) and not isinstance(fault, ssl.SSLEOFError | ssl.SSLZeroReturnError):
        return _Fault("unreachable", "tls")
    return _Fault("unreachable", "reset")  # there was a connection, and now there is none


# There and back


def _request(place: Place, headers: Mapping[str, str], body: bytes) -> bytes:
    lines = {
        "Host": place.authority,
        "User-Agent": USER_AGENT,
        "Accept": "*/*",
        "Accept-Encoding": "identity",
        "Content-Type": "application/json",
        "Content-Length": str(len(body)),
        "Connection": "close",
        **headers,
    }
    if any(character in name + value for name, value in lines.items() for character in "\r\n\0"):
        raise ValueError("A header is one line.")
    head = f"POST {place.target} HTTP/1.1\r\n" + "".join(f"{name}: {lines[name]}\r\n" for name in lines)
    return head.encode("ascii") + b"\r\n" + body


def _send(tls: ssl.SSLSocket, request: bytes, until: _Until) -> None:
    left = memoryview(request)
    while left:
        tls.settimeout(until.left() / 1_000)
        try:
            sent = tls.send(left[:PIECE_BYTES])
        except TimeoutError:
            raise _Fault("timed_out", until.detail) from None
        except OSError:
            return  # it may have answered before it hung up
        left = left[sent:]


def _received(tls: ssl.SSLSocket, most: int, until: _Until) -> bytes:
    """At most so many bytes; none when the receiver has ended."""
    tls.settimeout(until.left() / 1_000)
    try:
        return tls.recv(min(most, PIECE_BYTES))
    except OSError as fault:
        raise _read_as(fault, until) from None


def _read_answer(tls: ssl.SSLSocket, until: _Until) -> tuple[int, dict[str, str]]:
    """The final status and the headers by their names in lower case. Interim answers (1xx) are passed over."""
    got = bytearray()
    read, searched = 0, 0
    while True:
        end = END_OF_HEAD.search(got, max(0, searched - 3))
        if end is None:
            searched = len(got)
            if read >= MOST_READ_BYTES:
                raise _Fault("refused", "too-large")
            piece = _received(tls, MOST_READ_BYTES - read, until)
            if not piece:
                raise _Fault("unreachable", "unreadable" if got else "reset")
            got += piece
            read += len(piece)
            continue
        status, head = _parsed(bytes(got[: end.start()]))
        del got[: end.end()]
        searched = 0
        if status >= OK or status == SWITCHING:
            _drain(tls, head, len(got), MOST_READ_BYTES - read)
            return status, head


def _parsed(head: bytes) -> tuple[int, dict[str, str]]:
    first, *lines = head.split(b"\n")
    found = STATUS_LINE.fullmatch(first.rstrip(b"\r"))
    if found is None:
        raise _Fault("unreachable", "unreadable")
    pairs = (line.decode("latin-1").partition(":") for line in lines)
    return int(found[1]), {name.strip().lower(): value.strip() for name, _colon, value in pairs}


def _drain(tls: ssl.SSLSocket, head: Mapping[str, str], had: int, most: int) -> None:
    """Read the rest of the answer and forget it; what is not here soon is not waited for."""
    length = head.get("content-length", "")
    left = min(most, int(length) - had) if re.fullmatch(r"[0-9]{1,9}", length) else most
    until = _Until(_steady() + DRAIN_MILLISECONDS, "")
    with contextlib.suppress(_Fault):
        while left > 0 and (piece := _received(tls, left, until)):
            left -= len(piece)
