"""The links that open a service record: whose they are, what they open, and their tokens."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING
from uuid import UUID

from django.conf import settings
from django.db import connections
from django.db.models import Q, QuerySet
from django.urls import reverse

from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.languages import _
from fleet import queries as fleet
from servicing.models import RecordLink
from servicing.rules.link_tokens import digest_of, read_token, token_for

if TYPE_CHECKING:
    from accounts.models import Site

_PURPOSE = b"servicing.recordlink"


@dataclass(frozen=True, slots=True)
class FoundLink:
    """Where a token leads: needs no scope, since it says for which operator to open one."""

    operator_id: UUID
    link_id: UUID


@dataclass(frozen=True, slots=True)
class Reach:
    """What a link opens: its sites by name, of which it shows one restroom only if ``restroom_id`` is given."""

    link: RecordLink
    sites: list[Site]
    restroom_id: UUID | None
    restroom: str

    def site(self, site_id: UUID) -> Site:
        """One of its sites; NotFound for any other, whether there is one or not."""
        found = next((site for site in self.sites if site.id == site_id), None)
        if found is None:
            raise NotFound(no_link())
        return found


@dataclass(frozen=True, slots=True)
class LinkLine:
    """A link for the office's list; ``token`` is "" when it can't be said again, ``of`` a name for what it opens."""

    link: RecordLink
    token: str
    of: str


def no_link() -> str:
    """One sentence for a link that never was, is revoked, or doesn't reach so far: the three are not told apart."""
    return _(
        "This link leads nowhere: it is not whole, or it was taken back. Ask who gave it to you for a new one."
    )


# Tokens


def token_of(link_id: UUID) -> str:
    """The token that is made of a link's id and this product's secret."""
    key = hmac.digest(settings.SECRET_KEY.encode(), _PURPOSE, hashlib.sha256)
    return token_for(key, link_id)


def token_again(link: RecordLink) -> str:
    """A link's token, to be shown once more; "" when the product's secret is another one by now.

    The link then still opens by the token that was given out.
    """
    token = token_of(link.id)
    return token if digest_of(token) == bytes(link.digest) else ""


def find_link(text: str) -> FoundLink:
    """Whose link a token is, in any spelling; NotFound for none and for one that was revoked.

    Nobody guesses one: of 2**100 tokens a million links are one in 10**24.
    """
    token = read_token(text)
    row = None
    if token:
        with connections["default"].cursor() as cursor:
            cursor.execute("SELECT * FROM servicing_record_link(%s)", [digest_of(token)])
            row = cursor.fetchone()
    if row is None or row[2] is not None:
        raise NotFound(no_link())
    return FoundLink(row[0], row[1])


def path_of(token: str) -> str:
    """The address of a token's record on this product, without its host."""
    return reverse("record", args=[token])


def address_of(link: RecordLink) -> str:
    """The whole address of a link for a mail; "" where the product doesn't know its own, or the token no more."""
    token = token_again(link)
    return settings.PUBLIC_URL + path_of(token) if settings.PUBLIC_URL and token else ""


# Links


def get_link(link_id: UUID) -> RecordLink:
    found = RecordLink.objects.filter(id=link_id).first()
    if found is None:
        raise NotFound(_("There is no link here with this id."))
    return found


def site_id_of(link_id: UUID) -> UUID:
    """The site that a link to it or to one of its restrooms is of."""
    link = RecordLink.objects.select_related("restroom").get(id=link_id)
    site_id: UUID = link.restroom.site_id if link.restroom else link.site_id
    return site_id


def links_of_site(site_id: UUID) -> list[LinkLine]:
    """The links to a site and to its restrooms, those that open something first, then the newest first."""
    rooms = _rooms(site_id)
    rows = RecordLink.objects.filter(Q(site_id=site_id) | Q(restroom_id__in=rooms))
    return _lines(rows, lambda link: rooms.get(link.restroom_id, ""))


def links_of_customer(customer_id: UUID) -> list[LinkLine]:
    """The links to all sites of a customer, those that open something first, then the newest first."""
    return _lines(RecordLink.objects.filter(customer_id=customer_id), lambda _link: "")


def open_site_link(site_id: UUID) -> RecordLink | None:
    """The newest link to a site as a whole that is not revoked: the one that a mail to the site names."""
    found: RecordLink | None = (
        RecordLink.objects.filter(site_id=site_id, revoked_at=None).order_by("-made_at", "-id").first()
    )
    return found


def links_named(link_ids: Collection[UUID]) -> dict[UUID, str]:
    """What each of these links opens, as a name: the restroom, the site or the customer. For whoever acted by one."""
    rows = RecordLink.objects.filter(id__in=link_ids).select_related("restroom", "site", "customer")
    return {row.id: (row.restroom or row.site or row.customer).name for row in rows}


def reach_of(link_id: UUID) -> Reach:
    """What a link opens now; NotFound once it is revoked."""
    rows = RecordLink.objects.select_related("site", "restroom__site")
    link: RecordLink | None = rows.filter(id=link_id, revoked_at=None).first()
    if link is None:
        raise NotFound(no_link())
    if link.customer_id is not None:
        of_customer = accounts.sites().filter(customer_id=link.customer_id)
        return Reach(link, sorted(of_customer, key=lambda site: (site.name.casefold(), site.code)), None, "")
    if link.restroom is not None:
        return Reach(link, [link.restroom.site], link.restroom_id, link.restroom.name)
    assert link.site is not None, "a link is of one of the three"
    return Reach(link, [link.site], None, "")


def _rooms(site_id: UUID) -> dict[UUID | None, str]:
    return {room.id: room.name for room in fleet.restrooms().filter(site_id=site_id)}


def restrooms_of(site_id: UUID) -> list[tuple[UUID, str]]:
    """A site's restrooms, by name."""
    return sorted(
        ((room_id, name) for room_id, name in _rooms(site_id).items() if room_id), key=lambda one: one[1]
    )


def _lines(rows: QuerySet[RecordLink], name: Callable[[RecordLink], str]) -> list[LinkLine]:
    found = sorted(
        rows.order_by("-made_at", "-id"),
        key=lambda link: (link.revoked_at is not None, name(link).casefold()),
    )
    return [LinkLine(link, "" if link.revoked_at else token_again(link), name(link)) for link in found]
