"""A person of the service at the pages of an operator whose owner lets them look."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import ResolverMatch

from accounts import queries
from accounts.commands import support
from accounts.errors import Forbidden
from accounts.languages import _
from accounts.permissions import ONLY_LOOKING, Actor, ActorKind, Role
from accounts.queries.second_factor import PROVEN

# What they may get: pages and the pictures on them.
SHOWN = ("text/html", "image/")
# Asked by a page that is open already, again and again, for what changed on it.
ASKED_BY_PAGES = {"lookout-changes"}


def look_of(request: HttpRequest, slug: str) -> queries.Look | None:
    """What lets the person signed in look at this operator now; None when they are nobody of the service, or may not.

    Forbidden when they may, and signed in without a second factor.
    """
    if not getattr(request.user, "is_support", False):
        return None
    for look in queries.looks_of(request.user.id):  # type: ignore[arg-type]
        if look.slug == slug:
            if PROVEN not in request.session:
                raise Forbidden(
                    _(
                        "A person of the service looks only with a second factor. Sign out, and in again with it."
                    )
                )
            return look
    return None


def actor_of(request: Any, look: queries.Look) -> Actor:
    return Actor(
        operator_id=look.operator_id,
        kind=ActorKind.SUPPORT,
        role=Role.VIEWER,
        id=request.user.id,
        name=look.person_name,
    )


def only_looking(request: Any) -> None:
    """Before the page: refuse what is no look, and note the look. Forbidden for whatever is sent."""
    if request.method not in {"GET", "HEAD"}:
        raise Forbidden(_(ONLY_LOOKING))
    match: ResolverMatch = request.resolver_match
    if match.url_name not in ASKED_BY_PAGES:
        support.note_look(actor=request.actor, page=match.url_name or "", address=request.path)


def only_shown(answer: HttpResponse) -> None:
    """After the page: a file to take along is none. Forbidden for one."""
    kind, place = answer.headers.get("Content-Type", ""), answer.headers.get("Content-Disposition", "")
    if "Location" in answer.headers:
        return
    if not kind.startswith(SHOWN) or place.startswith("attachment"):
        raise Forbidden(_(ONLY_LOOKING))
