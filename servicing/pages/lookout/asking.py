"""How the lookout is asked again cheaply: what an answer hangs on, and a token by which no session need be read.

An answer hangs on the beats of its operator's lookout, on today's dates, on who asks in which manner, and on what is asked
for. All but the beats are in the token, which the page gets when it is made, so an unchanged page costs the reading of one
row. The token tells no more than that something has changed, and lasts for a quarter of an hour; rows are given to a
signed-in member only.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.core import signing
from django.http import HttpRequest

from accounts import clock
from accounts.pages import OperatorRequest
from accounts.permissions import Role

LASTS_S = 15 * 60
_SALT = "wickround.lookout"


@dataclass(frozen=True, slots=True)
class Standing:
    """Who asks: for which operator, in which role, language and units; ``zones`` those of the operator's sites."""

    operator_id: UUID
    slug: str
    role: Role
    locale: str
    measures: str
    zones: tuple[str, ...]


def standing_of(request: OperatorRequest, days: Mapping[str, date]) -> Standing:
    return Standing(
        request.operator.id,
        request.operator.slug,
        request.actor.role,
        request.manner.locale,
        request.manner.measures,
        (request.operator.zone, *sorted(days)),
    )


def token(standing: Standing) -> str:
    """A signed token of this standing; it lasts for ``LASTS_S``."""
    named = {
        "operator": standing.operator_id.hex,
        "slug": standing.slug,
        "role": standing.role,
        "locale": standing.locale,
        "measures": standing.measures,
        "zones": standing.zones,
    }
    return signing.dumps(named, salt=_SALT, compress=True)


def read_token(request: HttpRequest, slug: str) -> Standing | None:
    """The standing that the request's token holds; None for one that is old, broken or of another operator."""
    try:
        named = signing.loads(request.headers.get("Lookout-Token", ""), salt=_SALT, max_age=LASTS_S)
    except signing.BadSignature:
        return None
    if named["slug"] != slug:
        return None
    operator_id = UUID(named.pop("operator"))
    return Standing(
        operator_id, named.pop("slug"), Role(named.pop("role")), zones=tuple(named.pop("zones")), **named
    )


def etag(beats: int, standing: Standing, query: str) -> str:
    """The entity tag of an answer (RFC 9110, 8.8.3), weak: it says that the rows are the same, not the bytes."""
    days = [clock.today(zone).isoformat() for zone in standing.zones]
    hangs_on = (beats, *days, standing.operator_id, standing.role, standing.locale, standing.measures, query)
    digest = hashlib.sha256("\0".join(map(str, hangs_on)).encode()).hexdigest()
    return f'W/"{digest[:32]}"'
