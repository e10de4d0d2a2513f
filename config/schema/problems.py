"""The problem documents (RFC 9457) of the document: one schema, one answer a status, one example a type."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from config.problems import MEDIA_TYPE, PROBLEM_TYPES, example_of, type_uri
from config.schema.headers import LIMITS, header

SCHEMA: dict[str, Any] = {
    "type": "object",
    "description": "A problem document by RFC 9457. What each type means stands at its address.",
    "required": ["type", "title", "status", "detail", "instance", "errors"],
    "properties": {
        "type": {
            "type": "string",
            "format": "uri-reference",
            # No enum, in which a client that was made before would not know a type that came after.
            "pattern": "/problems/[a-z-]+$",
            "examples": [type_uri(code) for code in PROBLEM_TYPES],
        },
        "title": {"type": "string", "description": "The same for every problem of the type."},
        "status": {"type": "integer", "description": "That of the answer."},
        "detail": {
            "type": "string",
            "description": "What happened this time, and what to do now, as a sentence.",
        },
        "instance": {"type": "string", "description": "The address that was asked, without its query."},
        "errors": {
            "type": "array",
            "description": "Each thing that is wrong with what was sent; empty where nothing can be pointed at.",
            "items": {"$ref": "#/components/schemas/ProblemEntry"},
        },
    },
}
ENTRY: dict[str, Any] = {
    "type": "object",
    "required": ["pointer", "code", "detail"],
    "properties": {
        "pointer": {
            "type": "string",
            "description": "A JSON pointer (RFC 6901) into what was sent; for a query parameter its name.",
        },
        "code": {"type": "string", "description": "A word for programs."},
        "detail": {"type": "string", "description": "A sentence for people."},
    },
}
# By status, the headers that its answers carry besides those of every answer.
_HEADERS = {
    401: ("WWW-Authenticate",),
    405: ("Allow",),
    409: ("Retry-After",),
    410: ("Link",),
    429: ("Retry-After",),
    503: ("Retry-After",),
}
# Whichever operation it is. The first four come before a quota is asked for.
ALWAYS = (400, 401, 403, 404, 405, 406, 414, 429, 500, 503)
WRITING = (409, 422)
WITH_BODY = (413, 415)
CONDITIONAL = (412, 428)
AGEING = (410,)
EARLY = (409,)
# Of the web server itself, before anybody reads the address.
TOO_LONG = {"description": "The address with its query is too long; this comes without a problem document."}


def responses() -> dict[str, Any]:
    """One answer a status, for the document's components."""
    statuses = sorted({kind.status for kind in PROBLEM_TYPES.values()})
    return {**{name_of(status): _response(status) for status in statuses}, name_of(414): TOO_LONG}


def name_of(status: int) -> str:
    return f"Problem{status}"


def reference(status: int) -> dict[str, str]:
    return {"$ref": f"#/components/responses/{name_of(status)}"}


def known(status: int) -> bool:
    """Whether the closed list of types has one of this status."""
    return status == HTTPStatus.REQUEST_URI_TOO_LONG or any(
        kind.status == status for kind in PROBLEM_TYPES.values()
    )


def _response(status: int) -> dict[str, Any]:
    codes = [code for code, kind in PROBLEM_TYPES.items() if kind.status == status]
    headers = (*LIMITS, *_HEADERS.get(status, ()))
    return {
        "description": f"{HTTPStatus(status).phrase}: {', '.join(codes)}.",
        "headers": {name: header(name) for name in headers},
        "content": {
            MEDIA_TYPE: {
                "schema": {"$ref": "#/components/schemas/Problem"},
                "examples": {code: {"value": example_of(code)} for code in codes},
            }
        },
    }
