"""The end of every sign-in: a session under a new key, and a browser that is known from now on."""

from __future__ import annotations

import logging
from datetime import timedelta
from uuid import UUID

from django.conf import settings
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from accounts import auditing
from accounts.commands import sessions
from accounts.models import User

log = logging.getLogger("wickround.security")

_KNOWN_FOR = timedelta(
    days=400
)  # the longest that browsers keep a cookie (draft-ietf-httpbis-rfc6265bis, 5.6)


def let_in(request: HttpRequest, user: User, onward: str) -> HttpResponse:
    """Start the session of a person who has shown who they are, and send them onward.

    Nothing stays of the session before, signed in or not; what belongs into the new one is set after this.
    """
    request.session.flush()
    login(request, user)
    # The audit is of operators: of who works for none, such as a person of the service, only this line tells.
    log.info("signed_in user=%s", user.id)
    auditing.note_of_person(user_id=user.id, action="signed_in")
    answer = redirect(onward)
    know_browser(request, answer, user.id)
    return answer


def know_browser(request: HttpRequest, answer: HttpResponse, user_id: UUID) -> None:
    """From now on whoever guesses this person's password elsewhere does not slow this browser down."""
    answer.set_cookie(
        device_cookie_name(),
        sessions.know_device(user_id, cookie=device_cookie(request)),
        max_age=_KNOWN_FOR,
        secure=settings.HTTPS,
        httponly=True,
        samesite="Lax",
    )


def device_cookie_name() -> str:
    """As with the cookies of settings: browsers refuse the host prefix on plain HTTP."""
    return "__Host-device" if settings.HTTPS else "device"


def device_cookie(request: HttpRequest) -> str:
    """What the browser says by which it is known; "" for none."""
    return request.COOKIES.get(device_cookie_name(), "")
