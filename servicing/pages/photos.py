"""A photo of the work as a picture for pages, and its removal."""

from __future__ import annotations

from functools import wraps
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import tenancy
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.commands.photos import remove_photo
from servicing.queries.photos import get_photo, photo_content

# A photo never changes; the browser of whoever may see it keeps it.
KEPT = "private, max-age=31536000, immutable"


@operator_page(Permission.EVENTS_READ)
def _picture(request: OperatorRequest, photo_id: UUID) -> HttpResponse:
    with tenancy.reading(request.actor):
        content = photo_content(photo_id)
    return HttpResponse(content, content_type="image/jpeg")


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
    """Ask whether a photo is to go for good, and remove it."""
    if request.method == "POST":
        remove_photo(actor=request.actor, photo_id=photo_id)
        return redirect("units", slug=request.operator.slug)
    with tenancy.reading(request.actor):
        photo = get_photo(photo_id)
    return render(request, "servicing/remove_photo.html", {"photo": photo})
