"""Every answer "no" in one form: a problem document (RFC 9457) at the API, a page elsewhere."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from http import HTTPStatus
from math import ceil
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.db import DataError, OperationalError
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.http.request import UnreadablePostError
from django.shortcuts import render
from psycopg import errors as postgres
from rest_framework import exceptions
from rest_framework.settings import api_settings

from accounts.authentication import CHALLENGE
from accounts.errors import (
    BadInput,
    Busy,
    Forbidden,
    NotFound,
    NotSignedIn,
    Problem,
    Refusal,
    TooLarge,
    pointer_to,
)
from accounts.languages import _, manner
from accounts.pages import reading_in
from config.problems import MEDIA_TYPE, PROBLEM_TYPES, document

log = logging.getLogger(__name__)

API = "/api/"
# The largest file that a page takes has 20 MB; then there is the form around it.
MOST_BODY = 21 * 1024 * 1024

_DRF_CODES: tuple[tuple[type[exceptions.APIException], str], ...] = (
    (exceptions.ParseError, "malformed-json"),
    (exceptions.ValidationError, "bad-input"),
    (exceptions.NotAuthenticated, "not-signed-in"),
    (exceptions.AuthenticationFailed, "not-signed-in"),
    (exceptions.PermissionDenied, "forbidden"),
    (exceptions.NotFound, "not-found"),
    (exceptions.MethodNotAllowed, "method-not-allowed"),
    (exceptions.NotAcceptable, "not-acceptable"),
    (exceptions.UnsupportedMediaType, "unsupported-media-type"),
    (exceptions.Throttled, "too-many-requests"),
)
_DJANGO_MEANS: tuple[tuple[type[Exception], tuple[type[Refusal], str]], ...] = (
    (Http404, (NotFound, "There is nothing at this address.")),
    (PermissionDenied, (Forbidden, "This is not allowed.")),
    (RequestDataTooBig, (TooLarge, "A body may have up to 1 MiB. Nothing was stored; send it in parts.")),
    (SuspiciousOperation, (BadInput, "The request could not be read.")),
    (UnreadablePostError, (BadInput, "The request could not be read to its end.")),
)
_WAITED_TOO_LONG = (postgres.LockNotAvailable, postgres.DeadlockDetected, postgres.QueryCanceled)


def problem_response(exc: Exception, context: dict[str, Any]) -> HttpResponse:
    """The API's exception handler: every exception becomes a problem document, one not foreseen without a detail."""
    return problem_of(exc, context["request"].path)


def problem_of(exc: Exception, path: str) -> HttpResponse:
    refusal = as_refusal(exc)
    if refusal is not None:
        return _of_refusal(refusal, path)
    if isinstance(exc, exceptions.APIException):
        return _of_drf(exc, path)
    log.error("unforeseen path=%s", path, exc_info=exc)
    return problem("internal-error", path)


def as_refusal(exc: Exception) -> Refusal | None:
    """The exception as a refusal, for those that mean one."""
    if isinstance(exc, Refusal):
        return exc
    if isinstance(exc, OperationalError):
        waited = isinstance(exc.__cause__, _WAITED_TOO_LONG)
        return (
            Busy("Others are working on this. Nothing was done; try again in a moment.") if waited else None
        )
    if isinstance(exc, DataError) and "NUL" in str(exc):
        # In an address or a form; no text that the database holds has this character.
        return BadInput("The request could not be read.")
    meaning = next((refusal for kind, refusal in _DJANGO_MEANS if isinstance(exc, kind)), None)
    return meaning[0](meaning[1]) if meaning else None


def _of_refusal(refusal: Refusal, path: str) -> HttpResponse:
    # A refusal may name its reason more exactly than the closed list does.
    code = refusal.code if refusal.code in PROBLEM_TYPES else type(refusal).code
    response = problem(code, path, refusal.detail, refusal.errors)
    for name, value in refusal.headers.items():
        response[name] = value
    if isinstance(refusal, Busy):
        response["Retry-After"] = str(refusal.retry_after_seconds)
    return response


def _of_drf(exc: exceptions.APIException, path: str) -> HttpResponse:
    code = next((code for kind, code in _DRF_CODES if isinstance(exc, kind)), "bad-input")
    if isinstance(exc, exceptions.ValidationError):
        errors = list(_problems(exc.get_full_details()))
        return problem(code, path, "Some of what was sent could not be accepted; nothing was done.", errors)
    response = problem(code, path, str(exc.detail))
    wait = getattr(exc, "wait", None)  # of Throttled, in seconds
    if wait is not None:
        response["Retry-After"] = str(max(1, ceil(wait)))
    return response


def _problems(details: Any, pointer: str = "") -> Iterator[Problem]:
    """A validation's findings as pointers (RFC 6901); for a query parameter the pointer is its name."""
    if isinstance(details, dict) and set(details) == {"message", "code"}:
        yield Problem(pointer, str(details["code"]), str(details["message"]))
    elif isinstance(details, dict):
        for name, inner in details.items():
            own = "" if name == api_settings.NON_FIELD_ERRORS_KEY else pointer_to(str(name))
            yield from _problems(inner, pointer + own)
    else:
        for index, inner in enumerate(details):
            is_leaf = isinstance(inner, dict) and set(inner) == {"message", "code"}
            yield from _problems(inner, pointer if is_leaf else f"{pointer}/{index}")


def problem(code: str, path: str, detail: str = "", errors: Sequence[Problem] = ()) -> HttpResponse:
    """A problem document of a listed type. ``path`` is the address that was asked, without its query."""
    body = document(code, path, detail, errors)
    response = HttpResponse(json.dumps(body), content_type=MEDIA_TYPE, status=body["status"])
    response["Cache-Control"] = "no-store"
    if body["status"] == HTTPStatus.UNAUTHORIZED:
        response["WWW-Authenticate"] = CHALLENGE
    return response


# Outside the API's views


class PageRefusals:
    """A refusal raised by a page's view becomes a page with its status; one to sign in leads to the sign-in page.

    The API's own views answer for themselves; what is left under its address, such as /api/ alone, is no page.
    A body that nothing here takes is refused by the length it declares, before any of it is read or kept on disk.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        declared = request.META.get("CONTENT_LENGTH") or ""
        if declared.isdecimal() and int(declared) > MOST_BODY:
            refusal = TooLarge(
                "This is larger than anything that is taken here. Nothing was stored; send a smaller file, or parts."
            )
            return self.process_exception(request, refusal) or self.get_response(request)
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        refusal = as_refusal(exception)
        if refusal is None:
            return None
        if request.path.startswith(API):
            return _of_refusal(refusal, request.path)
        if isinstance(refusal, NotSignedIn):
            return redirect_to_login(request.get_full_path())
        return _page(request, refusal)


def refused(request: HttpRequest, refusal: Refusal, headers: Mapping[str, str]) -> HttpResponse:
    """A refusal as a program or a person reads it, by the address asked."""
    is_api = request.path.startswith((API, "/oauth/"))
    response = _of_refusal(refusal, request.path) if is_api else _page(request, refusal)
    for name, value in headers.items():
        response.headers[name] = value
    return response


def _page(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    with reading_in(getattr(request, "manner", manner())):
        response = render(request, "refused.html", {"refusal": refusal}, status=refusal.status)
    if isinstance(refusal, Busy):
        response["Retry-After"] = str(refusal.retry_after_seconds)
    return response


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """handler400: mostly a host that is not ours, so no page of an operator is drawn."""
    if request.path.startswith(API):
        return problem_of(exception, request.path)
    return HttpResponse(f"{BadInput.title}\n", content_type="text/plain; charset=utf-8", status=400)


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    """handler403."""
    if request.path.startswith(API):
        return problem_of(exception, request.path)
    return _page(request, Forbidden("This page is not for you."))


def forged(request: HttpRequest, reason: str = "") -> HttpResponse:
    """settings.CSRF_FAILURE_VIEW: mostly of a page that was open while its person signed in or out in another window."""
    refusal = Refusal(
        _(
            "This form was opened before you signed in or out, or it comes from elsewhere. Nothing was done: go back, reload "
            "the page and send it again. It goes on only if the browser keeps cookies."
        )
    )
    refusal.status = HTTPStatus.FORBIDDEN
    return _page(request, refusal)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """handler404."""
    refusal = NotFound("There is nothing at this address. Check it, or begin at the start page.")
    return _of_refusal(refusal, request.path) if request.path.startswith(API) else _page(request, refusal)


def server_error(request: HttpRequest) -> HttpResponse:
    """handler500: Django has logged it. Nothing is drawn from a template, which may be what failed."""
    if request.path.startswith(API):
        return problem("internal-error", request.path)
    kind = PROBLEM_TYPES["internal-error"]
    return HttpResponse(
        f"{kind.title} It has been noted. Go back and try again in a moment.\n",
        content_type="text/plain; charset=utf-8",
        status=500,
    )
