"""Webhooks to addresses inside of networks, however these are written, answered by a name server, or redirected to.

Watched from both ends: all that connects in this process is written down and judged by the standard library's registries,
and listeners on every address of this machine count who comes. Nothing leaves it: connections to the internet are refused
where they begin. That the watch would see is shown by one more run without any vetting.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import random
import socket
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

from tests.billing.places import INSIDE, WRITTEN_OTHERWISE
from tests.billing.receivers import NAME, Authority, answering, receiving

SEED = 20_267
PUBLIC, PUBLIC_TOO = "8.8.8.8", "2606:4700::1111"
REDIRECTIONS = (301, 302, 303, 307, 308)
NETWORKS = [
    ipaddress.ip_network(one)
    for one in (
        *("0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12"),
        *("192.0.0.0/24", "192.168.0.0/16", "198.18.0.0/15", "224.0.0.0/4", "240.0.0.0/4"),
        *("::1/128", "fc00::/7", "fe80::/10", "fec0::/10", "ff00::/8", "2001:db8::/32", "64:ff9b:1::/48"),
    )
]  # fmt: skip
TARGET = "0 connections to an address inside of a network, of at least 60 addresses; the watch sees those of a run without vetting"

Named = Callable[[str], list[str]]


class Watch:
    """Writes down what connects, and lets nothing out of this machine; ``expected`` are the trial's own receivers."""

    def __init__(self) -> None:
        self.inside: list[str] = []
        self.outside: list[str] = []
        self.expected: set[tuple[str, int]] = set()
        self._connect = socket.socket.connect

    def connect(self, made: socket.socket, address: Any) -> None:
        host, port = str(address[0]), int(address[1])
        if (host, port) in self.expected:
            self._connect(made, address)
        elif is_of_the_internet(host):
            self.outside.append(host)
            raise ConnectionRefusedError
        else:
            self.inside.append(host)
            self._connect(made, address)


def is_of_the_internet(host: str) -> bool:
    """By the standard library's registries alone. What is no address goes to a resolver, so it may be anything."""
    try:
        one = ipaddress.ip_address(host)
    except ValueError:
        return False
    inner = getattr(one, "ipv4_mapped", None) or getattr(one, "sixtofour", None) or one
    return bool(inner.is_global) and not inner.is_multicast


def run(_: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 20,000 drawn addresses beside the listed ones; else 1,000."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    print("drill: sending to addresses inside of networks", file=sys.stderr)
    draw = random.Random(SEED)
    with _listening() as (port, came), _watched(port) as watch, tempfile.TemporaryDirectory() as folder:
        literal = _literals(port, draw, 20_000 if full else 1_000)
        named = _names(port)
        rebound = _rebound(port)
        redirected = _redirected(watch, port, Path(folder))
        reached, inside = list(came), list(watch.inside)
        unvetted = _unvetted(port, watch, came)
    unlike = [*literal["unlike"], *named["unlike"], *rebound["unlike"], *redirected["unlike"]]
    addresses = literal["addresses"] + named["addresses"]
    yield {
        "name": "feed.reaching",
        "value": len(inside) + len(reached),
        "unit": "connections inside",
        "figures": {
            "addresses": addresses,
            "drawn": literal["drawn"],
            "names": named["addresses"],
            "rebound": rebound["addresses"],
            "redirected": redirected["addresses"],
            "connections_tried_inside": len(inside),
            "connections_taken_inside": len(reached),
            "connections_tried_outside": sorted(set(watch.outside)),
            "not_as_expected": unlike[:10],
            "seen_without_vetting": unvetted,
        },
        "target": TARGET,
        "ok": not inside
        and not reached
        and not unlike
        and addresses >= 60
        and rebound["addresses"] > 0
        and set(watch.outside) == {PUBLIC, PUBLIC_TOO}
        and all(unvetted.values()),
        "seed": SEED,
    }


@contextmanager
def _listening() -> Iterator[tuple[int, list[str]]]:
    """A port that is open on every address of this machine, and whoever came to it."""
    came: list[str] = []

    def note(plain: socket.socket) -> None:
        came.append(str(plain.getsockname()[0]))

    with receiving(None, "0.0.0.0") as four, contextlib.ExitStack() as stack:
        four.at_once = note
        with contextlib.suppress(OSError):  # a machine without IPv6
            stack.enter_context(receiving(None, "::1", four.port)).at_once = note
        yield four.port, came


@contextmanager
def _watched(port: int) -> Iterator[Watch]:
    """The port of the listeners is one of those that webhooks may go to, so that nothing else keeps them away."""
    from billing.rules.webhooks import addresses

    watch = Watch()

    def connect(made: socket.socket, address: Any) -> None:
        watch.connect(made, address)

    with (
        mock.patch.object(socket.socket, "connect", connect),
        mock.patch.object(addresses, "PORTS", addresses.PORTS | {port}),
    ):
        yield watch


def _post(url: str, named: Named) -> tuple[str, str]:
    from billing.commands.webhooks import wire

    def answer(host: str, *_rest: Any, **_more: Any) -> list[Any]:
        return [(None, None, None, "", (one, 0)) for one in named(host)]

    # Below the product's own resolver: that one is tried as well.
    with mock.patch.object(socket, "getaddrinfo", answer):
        answered = wire.post(url, {}, b"{}")
    return answered.outcome, answered.detail


def _nobody(_host: str) -> list[str]:
    """A name server that leads whoever gets to ask it to this machine."""
    return ["127.0.0.1"]


def _literals(port: int, draw: random.Random, number: int) -> dict[str, Any]:
    """Addresses in the text itself: the listed ones, and drawn ones in drawn notations."""
    listed = [f"https://{host}:{port}/" for host in INSIDE]
    listed += [f"https://{host}/" for host in INSIDE] + list(WRITTEN_OTHERWISE)
    drawn = [f"https://{_written(draw)}:{port}/" for _ in range(number)]
    unlike = [url for url in listed + drawn if _post(url, _nobody)[0] != "forbidden_address"]
    return {"addresses": len(set(listed)), "drawn": len(set(drawn)), "unlike": unlike}


def _written(draw: random.Random) -> str:
    """An address inside of a network, in one of the ways that resolvers or browsers read."""
    network = draw.choice(NETWORKS)
    one = network[draw.randrange(network.num_addresses)]
    if isinstance(one, ipaddress.IPv6Address):
        return f"[{draw.choice((one.compressed, one.exploded))}]"
    number, parts = int(one), list(one.packed)
    return draw.choice(
        (
            str(one),
            str(number),
            hex(number),
            f"0{number:o}",
            ".".join(hex(part) for part in parts),
            ".".join(f"0{part:o}" for part in parts),
            f"{parts[0]}.{number & 0xFFFFFF}",
            f"{parts[0]}.{parts[1]}.{number & 0xFFFF}",
            f"[::ffff:{one}]",
            f"[{ipaddress.IPv6Address(0xFFFF << 32 | number)}]",
            f"[{ipaddress.IPv6Address(0x64FF9B << 96 | number)}]",
            f"[{ipaddress.IPv6Address(0x2002 << 112 | number << 80)}]",
            str(one).translate(str.maketrans("0123456789.", "".join(chr(0xFF10 + n) for n in range(10)) + "\u3002")),
        )
    )  # fmt: skip


def _names(port: int) -> dict[str, Any]:
    """Names whose server answers with an address inside, alone and among addresses of the internet."""
    inside = [str(one[0]) for one in NETWORKS] + [str(one[-1]) for one in NETWORKS]
    inside += [
        "::ffff:127.0.0.1",
        "64:ff9b::7f00:1",
        "2002:7f00:1::",
        "fe80::1%1",
        "::ffff:a9fe:a9fe",
        "127.0.0.1",
    ]
    answers = (
        [[one] for one in inside] + [[PUBLIC, one] for one in inside] + [[one, PUBLIC_TOO] for one in inside]
    )
    unlike = [
        str(found)
        for found in answers
        if _post(f"https://receiver.example:{port}/", lambda _host, found=found: found)  # type: ignore[misc]
        != ("forbidden_address", "inner-address")
    ]
    return {"addresses": len(answers), "unlike": unlike}


def _rebound(port: int) -> dict[str, Any]:
    """Names that lead to the internet when they are looked at, and to this machine the next time they are asked."""
    unlike = []
    cases = [
        (PUBLIC, "127.0.0.1"),
        (PUBLIC_TOO, "::1"),
        (PUBLIC, "::ffff:127.0.0.1"),
        (PUBLIC_TOO, "127.0.0.1"),
    ]
    for first, then in cases * 5:
        asked: list[str] = []

        def answer(host: str, first: str = first, then: str = then, asked: list[str] = asked) -> list[str]:
            asked.append(host)
            return [first] if len(asked) == 1 else [then]

        outcome = _post(f"https://receiver.example:{port}/", answer)
        if outcome != ("unreachable", "closed") or len(asked) != 1:
            unlike.append(f"{first} then {then}: {outcome}, asked {len(asked)} times")
    return {"addresses": len(cases) * 5, "unlike": unlike}


def _redirected(watch: Watch, port: int, folder: Path) -> dict[str, Any]:
    """A receiver that answers with the way to one inside."""
    from django.test import override_settings

    authority = Authority(folder)
    places = [
        f"http://127.0.0.1:{port}/",
        f"https://127.0.0.1:{port}/",
        f"https://localhost:{port}/",
        f"//127.1:{port}/",
        f"https://[::1]:{port}/",
    ]
    unlike = []
    with receiving(authority.context(NAME)) as receiver:
        watch.expected.add(("127.0.0.1", receiver.port))
        with override_settings(WEBHOOK_TRUST=str(authority.file), WEBHOOK_ALLOW=receiver.place):
            for status in REDIRECTIONS:
                for place in places:
                    receiver.behave = answering(
                        f"{status} Elsewhere", f"Location: {place}", f"Refresh: 0; url={place}"
                    )
                    outcome = _post(f"https://{receiver.place}/", _nobody)
                    if outcome != ("refused", "redirect"):
                        unlike.append(f"{status} to {place}: {outcome}")
    return {"addresses": len(REDIRECTIONS) * len(places), "unlike": unlike}


def _unvetted(port: int, watch: Watch, came: list[str]) -> dict[str, int]:
    """What the watch sees when addresses are not looked at before they are connected to."""
    from billing.rules.webhooks import addresses

    before = len(watch.inside), len(came)
    with mock.patch.object(addresses, "allowed", return_value=True):
        for found in ("127.0.0.1", "127.0.0.2"):
            _post(f"https://receiver.example:{port}/", lambda _host, found=found: [found])  # type: ignore[misc]
    return {"tried": len(watch.inside) - before[0], "taken": len(came) - before[1]}
