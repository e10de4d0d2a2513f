"""The door to every page of an operator: who signs in, for which operator they act, and in which language they read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import translation
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from accounts import languages, limits, origin, queries, tenancy
from accounts.errors import NotFound
from accounts.languages import Manner, _
from accounts.models import Closing, Operator, User
from accounts.pages import looking
from accounts.pages.confirming import Recent, recently
from accounts.permissions import Actor, ActorKind, Permission, require
from accounts.queries.quarantine import count_quarantined
from accounts.queries.second_factor import is_missing

Page = Callable[..., HttpResponse]


class OperatorRequest(HttpRequest):
    """A request that ``operator_page`` let through: it knows the operator and who acts."""

    user: User
    actor: Actor
    operator: Operator
    manner: Manner
    # Of a person of the service: what lets them look.
    look: queries.Look | None
    # That the operator is to be closed, once an owner asked.
    closing: Closing | None
    # How much work failed for good, for who may decide about it.
    failed: int


def operator_page(permission: Permission, *methods: str, recent: Recent = False) -> Callable[[Page], Page]:
    """A page of one operator, under its address. Signed out: to the sign-in; no member: 404; role may not: 403.

    The view gets the request with ``actor`` and ``operator``; reads go inside ``tenancy.reading(request.actor)``.
    A ``recent`` page is for who signed in or confirmed lately: others are asked for their password first; one that is
    recent ``TO_ACT`` shows itself to all, and asks when its form is sent.
    """
    allowed = methods or ("GET", "HEAD")

    def decorate(view: Page) -> Page:
        # The question of a recent page is answered at the page's own address.
        @require_http_methods([*allowed, "POST"] if recent else list(allowed))
        @never_cache
        @wraps(view)
        def guarded(request: Any, slug: str, **kwargs: Any) -> HttpResponse:
            if not request.user.is_authenticated:
                _count(request, limits.of_visitor(request))
                return _to_sign_in(request, slug)
            request.actor, locale, request.look = _admitted(request, slug)
            if request.look is None and is_missing(request.actor.role, request.session):
                return _to_sign_in(request, slug)
            origin.acting(request.actor.kind, request.actor.id, request.actor.operator_id)
            _count(request, limits.of_actor(request.actor))
            with tenancy.reading(request.actor):
                request.operator = queries.get_operator()
                request.closing = queries.closing_asked()
                request.failed = count_quarantined() if request.actor.may(Permission.OPERATOR_MANAGE) else 0
            request.manner = Manner(languages.known_locale(locale), request.operator.measures)
            with reading_in(request.manner):
                require(request.actor, permission)
                if request.look:
                    looking.only_looking(request)
                response = (recently(request, allowed, recent) if recent else None) or view(request, **kwargs)
                if request.look:
                    looking.only_shown(response)
                response.headers.setdefault("Content-Language", translation.get_language() or "en-gb")
                return response

        guarded.permission = permission  # type: ignore[attr-defined]
        guarded.methods = allowed  # type: ignore[attr-defined]
        guarded.recent = recent  # type: ignore[attr-defined]
        return guarded

    return decorate


def _to_sign_in(request: HttpRequest, slug: str) -> HttpResponse:
    back = request.get_full_path() if request.method != "POST" else f"/{slug}/"
    return redirect(f"{reverse('sign-in')}?{urlencode({'next': back})}")


def _count(request: HttpRequest, buckets: Sequence[limits.Bucket]) -> None:
    """Draw one request from each bucket; TooMany when one is empty."""
    taken = limits.take(buckets)
    if not taken.is_let_in:
        limits.refused_lately.note(request, taken)
        raise taken.refusal()


def _admitted(request: HttpRequest, slug: str) -> tuple[Actor, str, queries.Look | None]:
    """Who acts, in which locale, and what lets a person of the service look; NotFound for who is neither."""
    membership = _found_membership(request.user.id, slug)  # type: ignore[arg-type]
    if membership is not None:
        return _actor_of(membership), membership.locale, None
    look = looking.look_of(request, slug)
    if look is None:
        raise _no_page()
    return looking.actor_of(request, look), look.locale, look


def actor_for(user_id: UUID, slug: str) -> Actor:
    """A person as the member of the operator at this address; NotFound when there is none or they are no member."""
    return _actor_of(_membership(user_id, slug))


def _membership(user_id: UUID, slug: str) -> queries.Membership:
    membership = _found_membership(user_id, slug)
    if membership is None:
        raise _no_page()
    return membership


def _found_membership(user_id: UUID, slug: str) -> queries.Membership | None:
    return next((one for one in queries.memberships_of(user_id) if one.slug == slug), None)


def _no_page() -> NotFound:
    return NotFound(
        _("There is no page at this address, or you are not a member of the operator it belongs to.")
    )


def _actor_of(membership: queries.Membership) -> Actor:
    return Actor(
        operator_id=membership.operator_id,
        kind=ActorKind.MEMBER,
        role=membership.role,
        id=membership.member_id,
        name=membership.member_name,
        crew_id=membership.crew_id,
    )


@contextmanager
def reading_in(manner: Manner) -> Iterator[None]:
    """Sentences of ours, and of Django in templates and forms, in the language of this manner."""
    with languages.speaking(manner), translation.override(_django_language(manner)):
        yield


def _django_language(manner: Manner) -> str:
    """The code in ``settings.LANGUAGES`` whose catalogue has the sentences of templates."""
    return manner.language if manner.language in languages.TRANSLATED else manner.locale.lower()
