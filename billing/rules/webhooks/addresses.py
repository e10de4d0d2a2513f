"""Where a webhook may go: the text of its address, and the addresses of the network that a name may lead to.

A receiver is out on the internet. Nobody gets to reach into the network that the product runs in, neither by what is typed
as the address nor by what a name server answers.
"""

from __future__ import annotations

import ipaddress
import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass
from urllib.parse import quote

from accounts.languages import _

HTTPS_PORT = 443
PORTS = frozenset({HTTPS_PORT, 8443})
MOST_CHARACTERS = 500
MOST_HOST_CHARACTERS = 253  # RFC 1035 section 2.3.4, without the root's dot

# Names that lead nowhere on the internet: RFC 6761, RFC 6762, RFC 8375, RFC 9476 and ICANN's resolution on .internal; the
# others are in use inside networks only.
INNER_NAMES = frozenset(
    {"localhost", "local", "home.arpa", "alt", "internal", "onion", "invalid"}
    | {"localdomain", "intranet", "private", "corp", "home", "lan"}
)
LABEL = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")
NUMBER = re.compile(r"[0-9]+|0x[0-9a-f]*")
ADDRESS = re.compile(r"https://(?P<authority>[^/?#]*)(?P<target>[^#]*)", re.IGNORECASE)
AUTHORITY = re.compile(r"(?:\[(?P<literal>[^\[\]]*)\]|(?P<name>[^\[\]:]*))(?::(?P<port>[0-9]{1,5}))?")
# IDNA 2003 and 2008 read these differently, so a name with one of them may lead to two places (UTS #46, section 2.2).
READ_IN_TWO_WAYS = frozenset("ßẞς\u200c\u200d")

# IPv4 that is not of the internet: the IANA special-purpose registry (RFC 6890 and later), multicast, and one address that
# hosts of virtual machines answer on from outside the machine, with what is meant for the machine alone.
INNER_V4 = tuple(
    ipaddress.IPv4Network(network)
    for network in (
        "0.0.0.0/8",
        "10.0.0.0/8",
        "100.64.0.0/10",
        "127.0.0.0/8",
        "169.254.0.0/16",
        "172.16.0.0/12",
        "192.0.0.0/24",
        "192.0.2.0/24",
        "192.88.99.0/24",
        "192.168.0.0/16",
        "198.18.0.0/15",
        "198.51.100.0/24",
        "203.0.113.0/24",
        "224.0.0.0/4",
        "240.0.0.0/4",
        "168.63.129.16/32",
    )
)
# All that is handed out of IPv6 (RFC 3587), and what in it is not of the internet: protocol assignments with Teredo,
# examples in documents. Unique-local, link-local, site-local, loopback and multicast are outside of it anyway.
GLOBAL_V6 = ipaddress.IPv6Network("2000::/3")
INNER_V6 = tuple(ipaddress.IPv6Network(network) for network in ("2001::/23", "2001:db8::/32", "3fff::/20"))
SIX_TO_FOUR = ipaddress.IPv6Network("2002::/16")  # RFC 3056: the IPv4 address is in bits 16 to 47
NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052: it is in the last 32 bits


class Unfit(ValueError):
    """An address that nothing is sent to; its text says why, and what to write instead."""


@dataclass(frozen=True, slots=True)
class Place:
    """A receiver's address, taken apart. ``host``: ASCII in lower case, or an address without brackets.

    ``target``: path and query as in the request's first line. ``is_trial``: one of this machine's trials, which may be
    inside the network.
    """

    host: str
    port: int
    target: str
    is_trial: bool = False

    @property
    def authority(self) -> str:
        """The ``Host`` header (RFC 9110 section 7.2)."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == HTTPS_PORT else f"{host}:{self.port}"

    @property
    def url(self) -> str:
        return f"https://{self.authority}{self.target}"


def vet(url: str, *, trials: Collection[tuple[str, int]] = ()) -> Place:
    """Take an address apart; Unfit when nothing may be sent there, whatever its name leads to.

    Only what can be read in one way passes: https, a name or a plainly written address of the internet, port 443 or 8443,
    no name or password. ``trials``: hosts and ports that are excepted from what is said of hosts and ports.
    """
    if len(url) > MOST_CHARACTERS:
        raise Unfit(_("An address has up to {most} characters.", most=MOST_CHARACTERS))
    found = ADDRESS.fullmatch(url)
    if found is None:
        raise Unfit(_("Write the address as https://, the receiver's name and the path, without a # in it."))
    authority = found["authority"]
    if "@" in authority:
        raise Unfit(
            _(
                "Leave out name and password before the @: deliveries are signed instead, so the receiver can check them."
            )
        )
    parts = AUTHORITY.fullmatch(authority)
    if parts is None:
        raise Unfit(_("Between https:// and the path is the receiver's name, and after a colon its port."))
    host = _literal(parts["literal"]) if parts["literal"] is not None else _name(parts["name"])
    port = int(parts["port"]) if parts["port"] else HTTPS_PORT
    is_trial = (host, port) in trials
    if not is_trial:
        _refuse_inner(host)
        if port not in PORTS:
            raise Unfit(_("Deliveries go to port 443 or 8443."))
    return Place(host, port, _target(found["target"]), is_trial)


def trials_of(text: str) -> frozenset[tuple[str, int]]:
    """Hosts and ports from a list such as "127.0.0.1:18443,[::1]:18443,receiver.test:9443"; ValueError for another."""
    found = set()
    for entry in text.split(","):
        if not entry.strip():
            continue
        host, _colon, port = entry.strip().lower().rpartition(":")
        if not host or not port.isdecimal():
            raise ValueError(f"{entry.strip()!r} is no host and port.")
        found.add((host.strip("[]"), int(port)))
    return frozenset(found)


def allowed(address: str | ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    """Whether an address of the network is one of the internet, an IPv4 address inside an IPv6 one included.

    False for what is no address, and for one with a zone.
    """
    try:
        one = ipaddress.ip_address(str(address))
    except ValueError:
        return False
    if isinstance(one, ipaddress.IPv4Address):
        return one.is_global and not any(one in network for network in INNER_V4)
    if one.scope_id is not None:
        return False
    inside = _inside(one)
    if inside is not None:
        return allowed(inside)
    return one in GLOBAL_V6 and one.is_global and not any(one in network for network in INNER_V6)


def _inside(one: ipaddress.IPv6Address) -> ipaddress.IPv4Address | None:
    """The IPv4 address that packets to an IPv6 one end up at; None where there is none."""
    if one.ipv4_mapped is not None:
        return one.ipv4_mapped
    if one in SIX_TO_FOUR:
        return ipaddress.IPv4Address(int(one) >> 80 & 0xFFFFFFFF)
    if one in NAT64:
        return ipaddress.IPv4Address(int(one) & 0xFFFFFFFF)
    return None


def _name(text: str) -> str:
    """A host in ASCII and lower case. Unfit where it is not one name, or an address that is not plainly written."""
    host = _in_ascii(text).removesuffix(".")
    labels = host.split(".")
    if len(host) > MOST_HOST_CHARACTERS or not all(LABEL.fullmatch(label) for label in labels):
        raise Unfit(_("“{host}” is no name of a receiver on the internet.", host=text))
    # A browser and a resolver read "0x7f.1", "2130706433" and "127.1" as addresses (WHATWG URL, "ends in a number").
    if NUMBER.fullmatch(labels[-1]):
        try:
            return str(ipaddress.IPv4Address(host))
        except ValueError:
            raise Unfit(_("Write the receiver's name, not a number.")) from None
    return host


def _in_ascii(text: str) -> str:
    if text.isascii():
        return text.lower()
    if READ_IN_TWO_WAYS & set(text):
        raise Unfit(_("Write this name in its ASCII form, which begins with xn--."))
    try:
        # Dots of other scripts and full-width letters become plain ones first, so that none hides an address.
        plain = unicodedata.normalize("NFKC", text).replace("\u3002", ".")
        return plain.encode("idna").decode("ascii").lower()
    except UnicodeError:
        raise Unfit(_("Write this name in its ASCII form, which begins with xn--.")) from None


def _literal(text: str) -> str:
    try:
        one = ipaddress.IPv6Address(text)
    except ValueError:
        raise Unfit(_("Write the receiver's name, not a number.")) from None
    if one.scope_id is not None:
        raise Unfit(_("An address with a zone leads nowhere on the internet. Write the receiver's name."))
    return str(one)


def _refuse_inner(host: str) -> None:
    try:
        is_inner = not allowed(ipaddress.ip_address(host))
    except ValueError:
        labels = host.split(".")
        endings = {".".join(labels[-count:]) for count in range(1, len(labels) + 1)}
        is_inner = len(labels) == 1 or bool(endings & INNER_NAMES)
    if is_inner:
        raise Unfit(
            _("“{host}” is not on the internet. Deliveries go to receivers on the internet only.", host=host)
        )


def _target(text: str) -> str:
    """Path and query, each strange character as a percent sequence; Unfit for what would break the request's lines."""
    if any(character <= " " or character in '\\\x7f"<>^`{|}' for character in text):
        raise Unfit(_("An address has no spaces, quotation marks, braces or backslashes in it."))
    target = text if text.startswith("/") else "/" + text
    return quote(target, safe="/?:@!$&'()*+,;=-._~%[]")
