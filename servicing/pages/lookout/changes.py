"""What an open lookout asks every five seconds: has anything changed, and if so, how does it look now."""

from __future__ import annotations

from functools import wraps
from typing import Any
from urllib.parse import quote

from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.shortcuts import render
from django.views.decorators.cache import never_cache

from accounts import clock, tenancy
from accounts.languages import Manner
from accounts.pages import OperatorRequest, operator_page, reading_in
from accounts.permissions import Actor, ActorKind, Permission
from accounts.phrases import time_of_day
from servicing.pages.lookout import asking
from servicing.pages.lookout.page import address_of, asked_of, shown
from servicing.queries.pulse import pulse


@operator_page(Permission.ALERTS_READ)
def _changes(request: OperatorRequest) -> HttpResponse:
    """The page's parts as they are now; 304 where they are what the asker has."""
    page = shown(request)
    if request.headers.get("If-None-Match") == page["etag"]:
        return _told(HttpResponseNotModified(), request.operator.zone, page["etag"], page["token"])
    answer = render(request, "servicing/lookout_parts.html", page)
    return _told(answer, request.operator.zone, page["etag"], page["token"])


def _told(answer: HttpResponse, zone: str, etag: str, token: str = "") -> HttpResponse:
    answer.headers["ETag"] = etag
    # A header takes plain letters only, and some locales write a narrow space.
    answer.headers["Lookout-Time"] = quote(time_of_day(clock.now().astimezone(clock.zone_of(zone))))
    if token:
        answer.headers["Lookout-Token"] = token
    return answer


@never_cache
@wraps(_changes)
def changes(request: HttpRequest, slug: str) -> HttpResponse:
    """Unchanged, by a token that still holds: one row is read. Else as any page of the operator."""
    standing = asking.read_token(request, slug) if request.method == "GET" else None
    if standing is not None and (known := request.headers.get("If-None-Match")):
        actor = Actor(standing.operator_id, ActorKind.MEMBER, standing.role)
        with tenancy.reading(actor):
            beats, _at = pulse()
        if asking.etag(beats, standing, address_of(asked_of(request.GET))) == known:
            with reading_in(Manner(standing.locale, standing.measures)):
                return _told(HttpResponseNotModified(), standing.zones[0], known)
    answer: Any = _changes(request, slug=slug)
    return answer
