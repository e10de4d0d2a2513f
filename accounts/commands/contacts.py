"""Who at a site is told of visits by mail."""

from __future__ import annotations

from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError

from accounts import clock, queries, tenancy
from accounts.commands.masterdata import refuse_bad_rows
from accounts.errors import BadInput, Conflict, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import _
from accounts.models import SiteContact
from accounts.permissions import Actor, Permission, require


def add_contact(
    *, actor: Actor, site_id: UUID, email: str, name: str = "", wants_announcements: bool = True
) -> SiteContact:
    """Somebody at a site. Conflict when the site has a contact of this address, NotFound for a site that is not there."""
    require(actor, Permission.SITES_MANAGE)
    contact = SiteContact(
        id=uuid7(),
        operator_id=actor.operator_id,
        site_id=site_id,
        name=name,
        email=_address(email),
        wants_announcements=wants_announcements,
        added_at=clock.now(),
    )
    with pointing_at_one():
        refuse_bad_rows([contact])
    try:
        with tenancy.writing(actor):
            queries.get_site(site_id)
            contact.save(force_insert=True)
            return contact
    except IntegrityError as clash:
        raise _taken() from clash


def change_contact(
    *, actor: Actor, contact_id: UUID, email: str, name: str, wants_announcements: bool
) -> SiteContact:
    require(actor, Permission.SITES_MANAGE)
    try:
        with tenancy.writing(actor):
            contact = queries.get_contact(contact_id)
            contact.name, contact.email = name, _address(email)
            contact.wants_announcements = wants_announcements
            with pointing_at_one():
                refuse_bad_rows([contact])
            contact.save(update_fields=["name", "email", "wants_announcements"])
            return contact
    except IntegrityError as clash:
        raise _taken() from clash


def remove_contact(*, actor: Actor, contact_id: UUID) -> None:
    """Nobody writes to this address any more. Where visits were announced to it, the contact stays and wants none."""
    require(actor, Permission.SITES_MANAGE)
    try:
        with tenancy.writing(actor):
            queries.get_contact(contact_id).delete()
    except IntegrityError:
        with tenancy.writing(actor):
            contact = queries.get_contact(contact_id)
            contact.wants_announcements = False
            contact.save(update_fields=["wants_announcements"])


def _address(email: str) -> str:
    address = email.strip().lower()
    try:
        validate_email(address)
    except ValidationError:
        wrong = _("This is no e-mail address, such as desk@site.example. Nothing was changed.")
        raise BadInput(wrong, errors=[Problem("/email", "email", wrong)]) from None
    return address


def _taken() -> Conflict:
    taken = _("This site has a contact with this e-mail address already.")
    return Conflict(taken, errors=[Problem("/email", "taken", taken)])
