"""Links to the service record: made, revoked, and counted as they are used."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from django.db import connection

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import BadInput, NotFound, Problem, TooMany
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission, Role, require, system_actor
from fleet import queries as fleet
from servicing.models import LinkUse, RecordLink
from servicing.queries import links
from servicing.rules.link_tokens import LIMITS, digest_of, while_of

MOST_LABEL = 120
USES_KEPT = timedelta(days=2)
# A page that is reloaded says nothing new of when it was opened.
OPENED_AGAIN_AFTER = timedelta(minutes=1)


def make_link(
    *,
    actor: Actor,
    customer_id: UUID | None = None,
    site_id: UUID | None = None,
    restroom_id: UUID | None = None,
    label: str = "",
) -> tuple[RecordLink, str]:
    """A link to the record of a customer's sites, of one site or of one restroom, and its token.

    ``label`` says for whom or where it is. BadInput when none or several of the three are named; NotFound for one that is
    not here.
    """
    require(actor, Permission.RECORDS_SHARE)
    named = [one for one in (customer_id, site_id, restroom_id) if one is not None]
    if len(named) != 1:
        raise BadInput(_("A link opens one customer, one site or one restroom. None was made."))
    label = " ".join(label.split())
    if len(label) > MOST_LABEL:
        said = _("Write at most {most} characters; these were {count}.", most=MOST_LABEL, count=len(label))
        raise BadInput(_("No link was made."), errors=[Problem("/label", "too-long", said)])
    with tenancy.writing(actor):
        _refuse_absent(customer_id, site_id, restroom_id)
        now = clock.now()
        link_id = uuid7(now)
        token = links.token_of(link_id)
        made = RecordLink(
            id=link_id,
            digest=digest_of(token),
            customer_id=customer_id,
            site_id=site_id,
            restroom_id=restroom_id,
            label=label,
            made_by_id=actor.id if actor.kind is ActorKind.MEMBER else None,
            made_at=now,
        )
        RecordLink.objects.bulk_create([made])
    return made, token


def _refuse_absent(customer_id: UUID | None, site_id: UUID | None, restroom_id: UUID | None) -> None:
    if customer_id is not None:
        accounts.get_customer(customer_id)
    if site_id is not None:
        accounts.get_site(site_id)
    if restroom_id is not None and not fleet.restrooms().filter(id=restroom_id).exists():
        raise NotFound(_("There is no restroom here with this id."))


def make_room_links(*, actor: Actor, site_id: UUID) -> list[RecordLink]:
    """A link for every restroom of a site that has no open one yet; gives those made."""
    require(actor, Permission.RECORDS_SHARE)
    with tenancy.reading(actor):
        accounts.get_site(site_id)
        lines = links.links_of_site(site_id)
        covered = {line.link.restroom_id for line in lines if line.link.revoked_at is None}
        rooms = [room_id for room_id, _name in links.restrooms_of(site_id) if room_id not in covered]
    return [make_link(actor=actor, restroom_id=room_id)[0] for room_id in rooms]


def revoke_link(*, actor: Actor, link_id: UUID) -> None:
    """From now on a link opens nothing; for good, and again does nothing more."""
    require(actor, Permission.RECORDS_SHARE)
    with tenancy.writing(actor):
        links.get_link(link_id)
        RecordLink.objects.filter(id=link_id, revoked_at=None).update(revoked_at=clock.now())


# Use

# Nothing is written once a while is full, so a flood costs a look-up and no row grows.
_COUNT_SQL = """
INSERT INTO servicing_linkuse (operator_id, link_id, action, since, count) VALUES (%s, %s, %s, %s, 1)
ON CONFLICT (operator_id, link_id, action, since) DO UPDATE SET count = servicing_linkuse.count + 1
WHERE servicing_linkuse.count < %s
RETURNING count
"""


def use_link(*, token: str, action: str) -> Actor:
    """Count one use of a link, and give who acts by it: its operator, and the link in a person's place.

    NotFound for no link, or one that was revoked; TooMany, with the seconds to wait, for one used more often than its
    limit. Whoever holds the link may: the token stands for a permission.
    """
    found = links.find_link(token)
    limit, now = LIMITS[action], clock.now()
    since, left = while_of(limit, now)
    with tenancy.writing(system_actor(found.operator_id)):
        with connection.cursor() as cursor:
            cursor.execute(_COUNT_SQL, [found.operator_id, found.link_id, action, since, limit.most])
            counted = cursor.fetchone() is not None
        if counted and action == "open":
            _note_opened(found.link_id)
    if not counted:
        raise TooMany(_too_often(action), retry_after_seconds=left)
    return Actor(found.operator_id, ActorKind.CLIENT, Role.CREW_MEMBER, found.link_id)


def _note_opened(link_id: UUID) -> None:
    rows = RecordLink.objects.filter(id=link_id)
    now = clock.now()
    (rows.filter(opened_at=None) | rows.filter(opened_at__lt=now - OPENED_AGAIN_AFTER)).update(opened_at=now)


def _too_often(action: str) -> str:
    if action == "report":
        return _(
            "Several reports were sent by this link within the hour, so this one was not taken. "
            "If somebody is in danger, call for help now; for anything else please telephone, or try again later."
        )
    return _("This link was used very often within a minute. Wait a little, then load the page again.")


def forget_uses() -> int:
    """Inside an open scope: drop the counts of whiles that ended days ago."""
    return int(LinkUse.objects.filter(since__lt=clock.now() - USES_KEPT).delete()[0])
