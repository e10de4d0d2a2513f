"""People of the service, and how an owner lets one of them look into an operator for a while."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from django.db import IntegrityError
from django.db.models import F

from accounts import auditing, clock, queries, tenancy
from accounts.commands import operators
from accounts.commands.masterdata import refuse_bad_rows
from accounts.commands.sessions import end_sessions, forget_devices
from accounts.errors import BadInput, Conflict, Forbidden, Gone, NotFound, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import _
from accounts.models import SupportGrant, User
from accounts.permissions import ONLY_LOOKING, Actor, ActorKind, Permission, require
from accounts.queries.support import get_support_grant

# For how many hours a look may be granted: an hour, half a day's work, a day, three days, a week.
HOURS = (1, 4, 24, 72, 168)


def grant_support(*, actor: Actor, email: str, hours: int, reason: str) -> SupportGrant:
    """Let the person of the service with this address look at the operator's pages for some hours of ``HOURS``.

    BadInput for an address of nobody of the service, a reason that says nothing and other hours; Conflict for a person who
    may look already.
    """
    require(actor, Permission.SUPPORT_GRANT)
    person = queries.get_user_by_email(email)
    if person is None or not (person.is_support and person.is_active):
        nobody = _("Nobody of the service has this address. Ask them by which address they sign in.")
        raise BadInput(nobody, errors=[Problem("/email", "unknown", nobody)])
    if hours not in HOURS:
        other = _("Choose one of the list.")
        raise BadInput(other, errors=[Problem("/hours", "unknown", other)])
    if actor.kind is not ActorKind.MEMBER or actor.id is None:
        raise Forbidden(_("Only an owner lets somebody of the service look. Sign in as one."))
    now = clock.now()
    grant = SupportGrant(
        id=uuid7(now),
        operator_id=actor.operator_id,
        user_id=person.id,
        reason=reason.strip(),
        granted_by_id=actor.id,
        granted_at=now,
        ends_at=now + timedelta(hours=hours),
    )
    with pointing_at_one():
        refuse_bad_rows([grant])
    try:
        with tenancy.writing(actor):
            # What ran out by itself makes room for the next.
            over = SupportGrant.objects.filter(user_id=person.id, ended_at=None, ends_at__lte=now)
            over.update(ended_at=F("ends_at"))
            grant.save(force_insert=True)
            return grant
    except IntegrityError as clash:
        raise Conflict(
            _("{name} may look already. End that first to give another time.", name=person.name)
        ) from clash


def end_support(*, actor: Actor, grant_id: UUID) -> None:
    """They may not look any more, with the next page they open. Gone when it is over already."""
    require(actor, Permission.SUPPORT_GRANT)
    now = clock.now()
    with tenancy.writing(actor):
        grant = get_support_grant(grant_id)
        live = SupportGrant.objects.filter(id=grant.id, ended_at=None, ends_at__gt=now)
        if not live.update(ended_at=now):
            raise Gone(_("This is over already; nobody looks by it."))


def note_look(*, actor: Actor, page: str, address: str) -> None:
    """Keep in the audit that a person of the service opens a page, before it is shown to them.

    ``page`` is the page's name among the addresses, ``address`` its path without what was searched for.
    """
    if actor.kind is not ActorKind.SUPPORT:
        raise Forbidden(_(ONLY_LOOKING))
    with tenancy.writing(actor):
        auditing.note(action="looked", kind="page", row_id=page, path=address)


def make_support_person(*, email: str, name: str, password: str = "") -> User:
    """Make a person one of the service's; one who signs in already keeps their name and password.

    Done by whoever runs the service, so there is no actor. They see nothing before an owner lets them look.
    """
    person = queries.get_user_by_email(email)
    if person is None:
        person = operators.create_user(email=email, name=name, password=password)
    elif not person.is_active:
        raise Conflict(_("{name} may not sign in any more.", name=person.name))
    if not person.is_support:
        User.objects.filter(id=person.id).update(is_support=True)
        person.is_support = True
        # From now on a second factor is asked for at each sign-in.
        end_sessions(person.id)
    return person


def end_support_person(*, email: str) -> User:
    """No longer of the service: no grant lets them in any more, and they are signed out everywhere."""
    person = queries.get_user_by_email(email)
    if person is None or not person.is_support:
        raise NotFound(_("Nobody of the service has this address."))
    User.objects.filter(id=person.id).update(is_support=False)
    end_sessions(person.id)
    forget_devices(person.id)
    return person
