"""How often one may ask: a bucket for each credential, each operator and each address, that drains by a request and fills again.

The buckets are in Valkey, so that all processes draw from the same ones. While it is away each process has its own: then
more may pass than should, but nobody is refused for the server's own trouble, and nobody is let in without end.
"""

from __future__ import annotations

import hashlib
import ipaddress
import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil
from threading import Lock

import redis
from django.conf import settings
from django.http import HttpRequest
from redis.backoff import NoBackoff
from redis.commands.core import Script
from redis.retry import Retry

from accounts.errors import TooMany
from accounts.languages import _
from accounts.permissions import Actor

log = logging.getLogger(__name__)

_SECOND = 1_000_000  # microseconds
_ANSWER_SECONDS = 0.2  # Valkey stands beside us; what takes longer is an outage
_AWAY_SECONDS = 5
_MOST_OWN = 10_000  # buckets of a process's own

# A bucket is one number: the instant at which it is full again. Each request moves that on by what it takes to fill one
# request's worth; it passes if the bucket then is no emptier than empty. All buckets of a request are drawn from, or none.
_LUA = """
local time = redis.call('TIME')
local now = time[1] * 1000000 + time[2]
local fits, ahead = 1, {}
for i, key in ipairs(KEYS) do
    local most, each = tonumber(ARGV[2 * i - 1]), tonumber(ARGV[2 * i])
    ahead[i] = math.max(tonumber(redis.call('GET', key) or 0) - now, 0)
    if ahead[i] + each > most * each then fits = 0 end
end
if fits == 1 then
    for i, key in ipairs(KEYS) do
        ahead[i] = ahead[i] + tonumber(ARGV[2 * i])
        redis.call('SET', key, string.format('%.0f', now + ahead[i]), 'PX', math.ceil(ahead[i] / 1000) + 1)
    end
end
for i = 1, #KEYS do ahead[i] = math.floor(ahead[i]) end
return {fits, unpack(ahead)}
"""


@dataclass(frozen=True, slots=True)
class Limit:
    """How much a bucket holds (requests), and how much of it comes back in a minute."""

    name: str
    per_minute: int
    burst: int

    @property
    def each_us(self) -> int:
        """Microseconds in which one request's worth comes back."""
        return max(1, 60 * _SECOND // self.per_minute)

    @property
    def window_seconds(self) -> int:
        """In which an empty bucket is full again."""
        return ceil(self.burst * self.each_us / _SECOND)


@dataclass(frozen=True, slots=True)
class Bucket:
    """One limit, as it holds for one asker."""

    limit: Limit
    key: str


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a request: whether it passes, and how far each of its buckets is from full (microseconds)."""

    is_let_in: bool
    buckets: Sequence[Bucket]
    ahead_us: Sequence[int]

    @property
    def wait_seconds(self) -> int:
        """Until the same may be asked again; 0 for one that passes."""
        if self.is_let_in:
            return 0
        return max(
            1,
            *(
                ceil((ahead + one.limit.each_us - one.limit.burst * one.limit.each_us) / _SECOND)
                for one, ahead in zip(self.buckets, self.ahead_us, strict=True)
            ),
        )

    def headers(self) -> dict[str, str]:
        """RateLimit-Policy and RateLimit by draft-ietf-httpapi-ratelimit-headers-11 (a draft still).

        q: how many may come at once, w: in how many seconds as many come back; r: how many are left, t: seconds until all are.
        """
        limits = [one.limit for one in self.buckets]
        return {
            "RateLimit-Policy": ", ".join(
                f'"{one.name}";q={one.burst};w={one.window_seconds}' for one in limits
            ),
            "RateLimit": ", ".join(
                f'"{one.name}";r={_left(one, ahead)};t={ceil(ahead / _SECOND)}'
                for one, ahead in zip(limits, self.ahead_us, strict=True)
            ),
        }

    def after(self, elapsed_us: int) -> Taken:
        """How the same stands a while later, when nothing more was drawn."""
        ahead = [max(0, one - elapsed_us) for one in self.ahead_us]
        fits = all(
            left + one.limit.each_us <= one.limit.burst * one.limit.each_us
            for one, left in zip(self.buckets, ahead, strict=True)
        )
        return Taken(fits, self.buckets, ahead)

    def refusal(self) -> TooMany:
        return TooMany(
            _(
                "You ask more often than is allowed. Nothing was done; go on in {seconds} s.",
                seconds=self.wait_seconds,
            ),
            retry_after_seconds=self.wait_seconds,
        )


def _left(limit: Limit, ahead_us: int) -> int:
    return max(0, (limit.burst * limit.each_us - ahead_us) // limit.each_us)


def of_actor(actor: Actor) -> list[Bucket]:
    """The credential's own bucket, and the one that all of its operator share."""
    return [
        _bucket("credential", f"{actor.kind}:{actor.id}"),
        _bucket("operator", str(actor.operator_id)),
    ]


def of_address(request: HttpRequest) -> list[Bucket]:
    """For who has no credential, or a wrong one."""
    return [_bucket("address", network_of(request))]


def of_visitor(request: HttpRequest) -> list[Bucket]:
    """For whoever opens a page that needs no sign-in, or asks for one before they have signed in."""
    return [_bucket("visitor", network_of(request))]


def of_client(request: HttpRequest, client_id: str) -> list[Bucket]:
    """For who asks for a token: by what they say they are, at this address; so that no stranger can lock a client out."""
    address = network_of(request)
    digest = hashlib.sha256(client_id.encode()).hexdigest()[:32]
    return [_bucket("client", f"{digest}:{address}"), _bucket("address", address)]


def _bucket(name: str, whose: str) -> Bucket:
    per_minute, burst = settings.RATE_LIMITS[name]
    return Bucket(Limit(name, per_minute, burst), f"{name}:{whose}")


def sender_of(request: HttpRequest) -> str:
    """The address that asks; empty for what is none."""
    sent = request.META.get("REMOTE_ADDR", "")
    if settings.BEHIND_PROXY:
        # The proxy's own word is the last; what stands before it, anybody may have sent.
        sent = request.META.get("HTTP_X_FORWARDED_FOR", sent).rsplit(",", 1)[-1].strip()
    try:
        return str(ipaddress.ip_address(sent))
    except ValueError:
        return ""


def network_of(request: HttpRequest) -> str:
    """The network that asks: an address of IPv4, the first half of one of IPv6, of which one household has all."""
    sent = sender_of(request)
    if not sent:
        return "unknown"
    address = ipaddress.ip_address(sent)
    if isinstance(address, ipaddress.IPv6Address):
        return str(address.ipv4_mapped or ipaddress.ip_network((int(address), 64), strict=False))
    return sent


def take(buckets: Sequence[Bucket]) -> Taken:
    """Draw one request from each bucket, or from none if one of them is empty. Takes well under a millisecond."""
    try:
        return _shared.take(buckets)
    except redis.RedisError as fault:
        _shared.leave(fault)
    except _Away:
        pass
    return _own.take(buckets, _now_us())


class RefusedLately:
    """Credentials that this process refused a moment ago: until there is room they are refused at no cost.

    So a flood takes neither the database nor Valkey from the others. A credential is known here by its digest.
    """

    def __init__(self, most: int = _MOST_OWN) -> None:
        self._refused: dict[bytes, tuple[Taken, int]] = {}
        self._most = most
        self._lock = Lock()

    def note(self, request: HttpRequest, taken: Taken) -> None:
        key = _credential_of(request)
        # A network's refusal says nothing of the credential: it may be asked for from another one.
        is_its_own = any(one.limit.name == "credential" for one in taken.buckets)
        if key is None or taken.is_let_in or not is_its_own:
            return
        with self._lock:
            if len(self._refused) >= self._most:
                self._refused.clear()  # at worst they are asked about once more
            self._refused[key] = (taken, _now_us())

    def find(self, request: HttpRequest) -> Taken | None:
        """What is still refused to this credential; None once it may ask again."""
        key = _credential_of(request) if self._refused else None
        found = self._refused.get(key) if key is not None else None
        if found is None:
            return None
        still = found[0].after(_now_us() - found[1])
        if still.is_let_in:
            self._refused.pop(key, None)  # type: ignore[arg-type]
            return None
        return still


def _credential_of(request: HttpRequest) -> bytes | None:
    """The digest of what a request is let in by: a token, or the cookie of a session."""
    said = request.META.get("HTTP_AUTHORIZATION") or request.COOKIES.get(settings.SESSION_COOKIE_NAME)
    return hashlib.sha256(said.encode("utf-8", "replace")).digest() if said else None


def _now_us() -> int:
    return time.monotonic_ns() // 1_000


class _Away(Exception):
    """Valkey did not answer a moment ago."""


class _SharedBuckets:
    """Those in Valkey, asked by one script."""

    def __init__(self) -> None:
        self._back_at = 0.0

    def take(self, buckets: Sequence[Bucket]) -> Taken:
        if time.monotonic() < self._back_at:
            raise _Away
        fits, *ahead = _script(settings.REDIS_URL)(
            keys=[f"{settings.REDIS_PREFIX}rate:{one.key}" for one in buckets],
            args=[value for one in buckets for value in (one.limit.burst, one.limit.each_us)],
        )
        return Taken(bool(fits), buckets, ahead)

    def leave(self, fault: redis.RedisError) -> None:
        """Ask no more for a while, so that an outage costs a request in five seconds and not each of them."""
        self._back_at = time.monotonic() + _AWAY_SECONDS
        log.warning("rate_limits_in_process reason=%s", type(fault).__name__)


class OwnBuckets:
    """Those of this process: the same rule, in the same numbers."""

    def __init__(self, most: int = _MOST_OWN) -> None:
        self._full_at: dict[str, int] = {}
        self._most = most
        self._lock = Lock()

    def take(self, buckets: Sequence[Bucket], now_us: int) -> Taken:
        with self._lock:
            ahead = [max(self._full_at.get(one.key, 0) - now_us, 0) for one in buckets]
            fits = all(
                before + one.limit.each_us <= one.limit.burst * one.limit.each_us
                for one, before in zip(buckets, ahead, strict=True)
            )
            if fits:
                ahead = [before + one.limit.each_us for one, before in zip(buckets, ahead, strict=True)]
                self._keep(
                    {one.key: now_us + after for one, after in zip(buckets, ahead, strict=True)}, now_us
                )
        return Taken(fits, buckets, ahead)

    def _keep(self, full_at: dict[str, int], now_us: int) -> None:
        self._full_at.update(full_at)
        if len(self._full_at) > self._most:
            # Full ones say nothing. Should strangers fill the rest, those that are full the soonest say the least.
            kept = sorted(self._full_at.items(), key=lambda one: one[1])[-self._most // 2 :]
            self._full_at = {key: at for key, at in kept if at > now_us}


refused_lately = RefusedLately()
_shared = _SharedBuckets()
_own = OwnBuckets()


@lru_cache(maxsize=4)
def _script(url: str) -> Script:
    client = redis.Redis.from_url(
        url,
        socket_timeout=_ANSWER_SECONDS,
        socket_connect_timeout=_ANSWER_SECONDS,
        # Once anew: a connection from before a restart of Valkey only shows that it is dead when it is used.
        retry=Retry(NoBackoff(), 1),
    )
    return client.register_script(_LUA)
