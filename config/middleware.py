"""Headers that every answer carries, the language of whoever asks, and how often what has no door of its own is asked."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.core.exceptions import BadRequest, SuspiciousOperation
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.http.multipartparser import MultiPartParserError
from django.http.request import UnreadablePostError
from django.utils import translation
from django.utils.cache import patch_vary_headers

from accounts import languages, limits, origin
from accounts.errors import Insecure
from accounts.ids import uuid7
from accounts.languages import Manner
from accounts.pages import reading_in
from config.errors import API, problem_of, refused

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


SAFETY = {
    "Content-Security-Policy": POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    # A browser asks nobody here for any of them.
    "Permissions-Policy": "camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "X-Permitted-Cross-Domain-Policies": "none",
}


class SafetyHeaders:
    """Nothing from elsewhere, nothing inline, on every answer, a file's and a refusal's too; one that says more keeps it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        for name, value in SAFETY.items():
            response.headers.setdefault(name, value)
        return response


# Characters kept of what a browser says it is.
MOST_AGENT = 200


class RequestOrigin:
    """Where the work of a request comes from, for whatever notes it; the answer says by which id to ask about it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        request_id = uuid7()
        agent = request.headers.get("User-Agent", "")[:MOST_AGENT]
        with origin.coming_from(origin.Origin(request_id, limits.sender_of(request), agent=agent)):
            response = self.get_response(request)
        response.headers["Request-Id"] = str(request_id)
        return response

    def process_view(self, request: HttpRequest, *_view: object) -> None:
        match = request.resolver_match
        slug = match.kwargs.get("slug", "") if match else ""
        origin.at_door(f"{request.method} {match.view_name if match else ''}".strip(), slug)


class AskedLanguage:
    """Until it is known who reads, what the browser or program asks for (Accept-Language); an operator's page then knows better."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        with reading_in(Manner(languages.known_locale(translation.get_language_from_request(request)))):
            response = self.get_response(request)
            response.headers.setdefault("Content-Language", translation.get_language() or "en-gb")
        patch_vary_headers(response, ("Accept-Language",))
        return response


TOKENS = "/oauth/"
FORM = "application/x-www-form-urlencoded"


# What looks after the service asks these, and often.
UNCOUNTED = frozenset({"healthz", "readyz", "metrics"})


class RateLimits:
    """How often tokens are asked for, and what is for everybody. The doors of operators count for themselves.

    Who was refused a moment ago is refused again before anything is asked for them.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if (
            settings.SECURE_SSL_REDIRECT
            and not request.is_secure()
            and request.path.startswith((TOKENS, API))
        ):
            return refused(request, Insecure(), {})
        lately = limits.refused_lately.find(request)
        if lately is not None:
            return refused(request, lately.refusal(), lately.headers())
        if request.path.startswith(TOKENS):
            taken = limits.take(limits.of_client(request, _client_id(request)))
            response = self.get_response(request) if taken.is_let_in else _too_many_tokens(taken)
        elif request.path.startswith(API):
            response = self.get_response(request)
            if "RateLimit" in response.headers:
                return response
            taken = limits.take(limits.of_address(request))
            if not taken.is_let_in:
                response = problem_of(taken.refusal(), request.path)
        else:
            return self.get_response(request)
        for name, value in taken.headers().items():
            response.headers[name] = value
        return response

    def process_view(self, request: HttpRequest, view: Any, *_asked: object) -> HttpResponseBase | None:
        """A page that is for everybody; the tokens and the API were or will be counted."""
        match = request.resolver_match
        is_counted = request.path.startswith((TOKENS, API)) or hasattr(view, "permission")
        if is_counted or match is None or match.view_name in UNCOUNTED:
            return None
        taken = limits.take(limits.of_visitor(request))
        return None if taken.is_let_in else refused(request, taken.refusal(), taken.headers())


def _client_id(request: HttpRequest) -> str:
    """What a program says it is (RFC 6749 section 2.3.1): in the header, or in the form; empty for nothing readable."""
    kind, _space, word = request.headers.get("Authorization", "").partition(" ")
    try:
        if kind.lower() == "basic":
            return base64.b64decode(word, validate=True).decode().partition(":")[0]
        # A form of another kind is refused; it may have files in it, which nothing here has counted or measured yet.
        return request.POST.get("client_id", "") if request.content_type == FORM else ""
    except (ValueError, BadRequest, SuspiciousOperation, MultiPartParserError, UnreadablePostError):
        return ""


def _too_many_tokens(taken: limits.Taken) -> HttpResponse:
    """In the form of RFC 6749 section 5.2, which programs read here."""
    body = {"error": "temporarily_unavailable", "error_description": taken.refusal().detail}
    response = HttpResponse(json.dumps(body), content_type="application/json", status=429)
    response["Retry-After"] = str(taken.wait_seconds)
    response["Cache-Control"] = "no-store"
    return response
