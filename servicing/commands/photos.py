"""Photos of the work: kept once, drawn anew, and removed when somebody is to be seen on one."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.conf import settings

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import BadInput, Conflict, NotFound, Problem, TooLarge
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission, require
from fleet import queries as fleet
from servicing.models import Photo, UnitState, Visit
from servicing.queries.photos import bytes_kept
from servicing.rules.pictures import Drawn, drawn_anew

MB = 1_000_000


@dataclass(frozen=True, slots=True)
class _Named:
    """What a photo says it belongs to."""

    unit_id: UUID | None
    site_id: UUID | None
    visit_id: UUID | None
    touch_id: UUID | None
    event_id: UUID | None
    taken_at: datetime


def add_photo(
    *,
    actor: Actor,
    id: UUID,  # noqa: A002
    content: bytes,
    unit_id: UUID | None = None,
    site_id: UUID | None = None,
    visit_id: UUID | None = None,
    touch_id: UUID | None = None,
    event_id: UUID | None = None,
    taken_at: datetime,
) -> Photo:
    """Keep a photo of a unit, a site or both, taken at an aware instant. ``content`` is a JPEG or PNG of up to 2 MB.

    The visit, touch and event may come later than the photo and are not looked for. Without a site it is the visit's,
    else the one where the unit hangs. The same bytes again with the same ``id`` keep nothing more; Conflict for other
    bytes. BadInput and TooLarge for what can't be kept, NotFound for a unit or site that is not there.
    """
    require(actor, Permission.EVENTS_RECORD)
    if unit_id is None and site_id is None:
        said = _("Say of which unit or site this photo is. Nothing was stored.")
        raise BadInput(said, errors=[Problem("/unit", "missing", said)])
    digest = hashlib.sha256(content).hexdigest()
    with tenancy.reading(actor):
        stored = _stored(id)
        if stored is None:
            _refuse_absent(unit_id, site_id)
            _refuse_too_many()
    if stored is None:
        # Drawn outside the transaction, which it would keep open for a tenth of a second.
        drawn = drawn_anew(content)
        named = _Named(unit_id, site_id, visit_id, touch_id, event_id, taken_at)
        stored = _keep(actor, id, digest, drawn, named)
    if stored.sha256 != digest:
        raise Conflict(_("A photo with this id and other content is stored already; the stored one stays."))
    return stored


def remove_photo(*, actor: Actor, photo_id: UUID) -> None:
    """Remove a photo for good, such as one on which a person is to be seen. NotFound when it is not here."""
    require(actor, Permission.TEXTS_ERASE)
    with tenancy.writing(actor):
        removed, _of_each = Photo.objects.filter(id=photo_id).delete()
    if not removed:
        raise NotFound(_("There is no photo here with this id."))


def _stored(photo_id: UUID) -> Photo | None:
    stored: Photo | None = Photo.objects.defer("content").filter(id=photo_id).first()
    return stored


def _refuse_too_many() -> None:
    """Two sent at once may both be kept as the last one."""
    if bytes_kept() >= settings.PHOTO_MB * MB:
        raise TooLarge(
            _(
                "The photos of your operator fill the {most} MB that they may take. Nothing was stored. Ask an owner to remove "
                "photos, or whoever runs the service for more room.",
                most=settings.PHOTO_MB,
            )
        )


def _refuse_absent(unit_id: UUID | None, site_id: UUID | None) -> None:
    for name, row_id, get in (("unit", unit_id, fleet.get_unit), ("site", site_id, accounts.get_site)):
        if row_id is None:
            continue
        try:
            get(row_id)
        except NotFound as absent:
            absent.errors = [Problem(f"/{name}", "not-found", absent.detail)]
            raise


def _keep(actor: Actor, photo_id: UUID, digest: str, drawn: Drawn, named: _Named) -> Photo:
    with tenancy.writing(actor):
        phone_id = actor.id if actor.kind is ActorKind.DEVICE else None
        row = Photo(
            id=photo_id,
            unit_id=named.unit_id,
            site_id=named.site_id or _site_of(named),
            visit_id=named.visit_id,
            touch_id=named.touch_id,
            event_id=named.event_id,
            device_id=phone_id or accounts.office_device_id(),
            taken_at=named.taken_at,
            received_at=clock.now(),
            sha256=digest,
            width=drawn.width,
            height=drawn.height,
            content=drawn.content,
        )
        # Another sending of the same may have come in between.
        Photo.objects.bulk_create([row], ignore_conflicts=True)
        kept = _stored(photo_id)
        assert kept is not None, "it was stored just now, or before"
        return kept


def _site_of(named: _Named) -> UUID | None:
    """The visit's site, which stays what it was when the unit has moved on since; else where the unit hangs now."""
    visits = Visit.objects.filter(id=named.visit_id) if named.visit_id else Visit.objects.none()
    site_id: UUID | None = visits.values_list("site_id", flat=True).first()
    if site_id is None and named.unit_id is not None:
        states = UnitState.objects.filter(unit_id=named.unit_id)
        site_id = states.values_list("site_id", flat=True).first()
    return site_id
