"""A photo of the work as a picture for pages, and its removal."""

from __future__ import annotations

from functools import wraps
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import queries as accounts
from accounts import tenancy
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from fleet import queries as fleet
from servicing.commands.photos import remove_photo
from servicing.queries.photos import PhotoView, get_photo, photo_content
from servicing.rules.pictures import small

# A photo never changes; the browser of whoever may see it keeps it.
# A day: one that is removed for good is then gone from browsers too.
KEPT = "private, max-age=86400"


@operator_page(Permission.EVENTS_READ)
def _picture(request: OperatorRequest, photo_id: UUID) -> HttpResponse:
    """The JPEG; small when the address ends with ``?small``."""
    with tenancy.reading(request.actor):
        content = photo_content(photo_id)
    response = HttpResponse(small(content) if "small" in request.GET else content, content_type="image/jpeg")
    response["Content-Disposition"] = f'inline; filename="photo-{photo_id}.jpg"'
    return response


@wraps(_picture)
def picture(request: Any, **kwargs: Any) -> HttpResponse:
    """The JPEG itself. Every other page is kept nowhere; this one is, once it was shown."""
    response = _picture(request, **kwargs)
    if response.status_code == HttpResponse.status_code:
        response["Cache-Control"] = KEPT
        del response["Expires"]
    return response


@operator_page(Permission.TEXTS_ERASE, "GET", "HEAD", "POST")
def remove(request: OperatorRequest, photo_id: UUID) -> HttpResponse:
    """Ask whether a photo is to go for good, and remove it; then back to what it showed."""
    with tenancy.reading(request.actor):
        photo = get_photo(photo_id)
        back = _shown_on(request, photo)
    if request.method == "POST":
        remove_photo(actor=request.actor, photo_id=photo_id)
        return redirect(back)
    return render(request, "servicing/remove_photo.html", {"photo": photo, "back": back})


def _shown_on(request: OperatorRequest, photo: PhotoView) -> str:
    slug = request.operator.slug
    if photo.unit_id is not None:
        return reverse("unit", args=[slug, fleet.get_unit(photo.unit_id).code])
    return reverse("site", args=[slug, accounts.get_site(photo.site_id).code])  # type: ignore[arg-type]
