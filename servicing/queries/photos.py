"""Photos of the work, by what they show. Lists are of what is known of each; its bytes are asked for alone."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import BigIntegerField, F, Func, Q, QuerySet, Sum

from accounts.errors import NotFound
from accounts.languages import _
from servicing import log
from servicing.events.types import Subject
from servicing.models import Photo, UnitState, Visit
from servicing.rules.pictures import small_size

COLUMNS = ("id", "unit_id", "site_id", "visit_id", "touch_id", "event_id", "taken_at", "width", "height")
MOST = 60


@dataclass(frozen=True, slots=True)
class PhotoView:
    """What is known of a photo; its sides are in pixels."""

    id: UUID
    unit_id: UUID | None
    site_id: UUID | None
    visit_id: UUID | None
    touch_id: UUID | None
    event_id: UUID | None
    taken_at: datetime
    width: int
    height: int

    @property
    def small_width(self) -> int:
        return small_size(self.width, self.height)[0]

    @property
    def small_height(self) -> int:
        return small_size(self.width, self.height)[1]


def photos_of_unit(unit_id: UUID, *, most: int = MOST) -> list[PhotoView]:
    """A unit's photos, the latest first."""
    return _views(Photo.objects.filter(unit_id=unit_id).order_by("-taken_at", "id")[:most])


def photos_of_site(
    site_id: UUID, *, visit_ids: Collection[UUID] | None = None, most: int = MOST
) -> list[PhotoView]:
    """Photos taken at a site, of its units or of the place itself, the latest first; of these visits, if any are named.

    One of a unit that came before anything else of it, so that its place was not known yet, goes where the unit hangs.
    """
    hanging = UnitState.objects.filter(site_id=site_id).values_list("unit_id", flat=True)
    here = Q(site_id=site_id) | Q(site_id=None, unit_id__in=list(hanging))
    rows = Photo.objects.filter(here)
    rows = rows if visit_ids is None else rows.filter(visit_id__in=visit_ids)
    return _views(rows.order_by("-taken_at", "id")[:most])


def photos_of_events(event_ids: Collection[UUID]) -> dict[UUID, list[PhotoView]]:
    """By event, the photos that belong to it, in the order they were taken; nothing for an event without any."""
    subjects: dict[str, set[UUID]] = {kind: set() for kind in Subject}
    for row in log.events_by_id(event_ids):
        subjects[row.subject_kind].add(row.subject_id)
    visited = Visit.objects.filter(id__in=subjects[Subject.VISIT]).values_list("site_id", flat=True)
    # By what they are of, which is how photos are indexed.
    of_these = Q(unit_id__in=subjects[Subject.UNIT]) | Q(site_id__in=subjects[Subject.SITE] | set(visited))
    found: dict[UUID, list[PhotoView]] = {}
    for view in _views(Photo.objects.filter(of_these, event_id__in=event_ids).order_by("taken_at", "id")):
        if view.event_id is not None:
            found.setdefault(view.event_id, []).append(view)
    return found


def get_photo(photo_id: UUID) -> PhotoView:
    """What is known of one photo; NotFound for one that is absent or another operator's."""
    found = _views(Photo.objects.filter(id=photo_id))
    if not found:
        raise _absent()
    return found[0]


def photo_content(photo_id: UUID) -> bytes:
    """The JPEG of one photo; NotFound for one that is absent or another operator's."""
    content = Photo.objects.filter(id=photo_id).values_list("content", flat=True).first()
    if content is None:
        raise _absent()
    return bytes(content)


def bytes_kept() -> int:
    """How much the photos of the operator take. Of each the length is read, which stands beside it, and not the photo."""
    length = Func(F("content"), function="octet_length", output_field=BigIntegerField())
    kept: int | None = Photo.objects.aggregate(kept=Sum(length))["kept"]
    return int(kept or 0)


def _views(rows: QuerySet[Photo]) -> list[PhotoView]:
    return [PhotoView(*row) for row in rows.values_list(*COLUMNS)]


def _absent() -> NotFound:
    return NotFound(_("There is no photo here with this id."))
