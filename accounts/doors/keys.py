"""The header Idempotency-Key (draft-ietf-httpapi-idempotency-key-header-07): a POST that is sent again is done once."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase, RawPostDataException
from rest_framework.exceptions import UnsupportedMediaType
from rest_framework.request import Request

from accounts.commands.keeping import Answer, Asked, do_once
from accounts.errors import BadInput, Problem, TooLarge
from accounts.languages import _
from accounts.permissions import Actor, ActorKind

KEY_HEADER = "Idempotency-Key"
REPLAYED_HEADER = "Idempotency-Replayed"
MOST_KEY = 255  # characters
# RFC 9651 section 3.3.3: a String in quotes as the draft has it; or a bare word such as a UUID or Base64.
_QUOTED = re.compile(r'"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"')
_BARE = re.compile(r"[!#$%&'*+.^_`|~:/=0-9A-Za-z-]+")
# What is kept of an answer beside its status and body. The rest is said anew each time.
_KEPT_HEADERS = ("Content-Type", "Content-Language", "ETag", "Link", "Location")


class _Unkept(Exception):
    """A door gave a refusal as its answer; nothing of it is to be stored."""

    def __init__(self, response: HttpResponseBase) -> None:
        super().__init__()
        self.response = response


def key_of(request: Request) -> str | None:
    """The key that was sent, without its quotes; None for none. BadInput for what can't be one."""
    sent = request.headers.get(KEY_HEADER)
    if sent is None:
        return None
    quoted = _QUOTED.fullmatch(sent.strip())
    key = re.sub(r"\\(.)", r"\1", quoted[1]) if quoted else sent.strip()
    if not 1 <= len(key) <= MOST_KEY or (quoted is None and not _BARE.fullmatch(key)):
        wrong = _(
            "Send a key of 1 to {most} characters in quotes, such as {example}.",
            most=MOST_KEY,
            example='"8e03978e-40d5-43e8-bc93-6894a57f9324"',
        )
        raise BadInput(wrong, errors=[Problem(f"/{KEY_HEADER}", "unreadable", wrong)])
    return key


def refuse_keyless_program(request: Request) -> None:
    """For doors that must not do a thing twice: a program that sends no key is refused (a person sees what happened)."""
    if isinstance(request.auth, Actor) and request.auth.kind == ActorKind.CLIENT:
        raise BadInput(
            _(
                "Send a key of your own in the header {header}, and the same one when you send this again. Nothing was done.",
                header=KEY_HEADER,
            ),
            code="idempotency-key-missing",
        )


def answer_once(
    request: Request, actor: Actor, key: str, most_body: int, handler: Callable[[], Any]
) -> HttpResponseBase:
    """The handler's answer, whose effect and bytes are stored in one transaction; or the answer kept of the first time."""

    def effect() -> Answer:
        response = handler()
        if response.status_code >= HTTPStatus.BAD_REQUEST:
            raise _Unkept(response)
        kept = {name: response.headers[name] for name in _KEPT_HEADERS if name in response.headers}
        return Answer(response.status_code, response.content, kept)

    asked = Asked(_route(request), key, _fingerprint(request, most_body))
    try:
        answer = do_once(actor=actor, asked=asked, effect=effect)
    except _Unkept as refused:
        return refused.response
    response = HttpResponse(answer.body, status=answer.status, headers=dict(answer.headers))
    if not answer.body:
        del response.headers["Content-Type"]
    if answer.is_repeated:
        response.headers[REPLAYED_HEADER] = "true"
    return response


def _route(request: Request) -> str:
    """The door, not the single thing: a key that was used for one thing is not free for another."""
    assert request.resolver_match is not None, "a door has an address"
    return str(request.resolver_match.route)


def _fingerprint(request: Request, most_body: int) -> str:
    """A SHA-256 over method, address with its query, and body."""
    said = json.dumps([request.method, request.get_full_path()]).encode()
    return hashlib.sha256(said + b"\n" + _body_of(request, most_body)).hexdigest()


def _body_of(request: Request, most: int) -> bytes:
    """The body, read once and left for whoever parses it."""
    asked: HttpRequest = request._request  # noqa: SLF001 - the parser reads it later from there
    if most <= settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
        try:
            return asked.body
        except RawPostDataException:
            # A form in parts, which Django has taken apart already to look for its token.
            raise UnsupportedMediaType(request.content_type) from None
    body = asked.read(most + 1)
    if len(body) > most:
        wrong = _("A body may have up to {most} bytes here. Nothing was stored.", most=most)
        raise TooLarge(wrong, errors=[Problem("", "too-large", wrong)])
    asked._body = body  # noqa: SLF001 - as Django keeps it
    return body
