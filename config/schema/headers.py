"""Headers that requests may and answers do carry, by the drafts and standards named beside them."""

from __future__ import annotations

from typing import Any

# draft-ietf-httpapi-ratelimit-headers-11 (a draft still)
LIMITS = ("RateLimit", "RateLimit-Policy")
_TEXT = {"type": "string"}
# A string of RFC 8941, or the same without its quotes where it needs none.
_KEY = r"""^("([ !#-\[\]-~]|\\["\\])+"|[!#$%&'*+.^_`|~:/=0-9A-Za-z-]+)$"""

HEADERS: dict[str, Any] = {
    "RateLimit": {
        "description": 'What is left of each quota, such as `"credential";r=118;t=1` (draft-ietf-httpapi-ratelimit-headers-11).',
        "schema": _TEXT,
        "example": '"credential";r=118;t=1',
    },
    "RateLimit-Policy": {
        "description": 'The quotas themselves, such as `"credential";q=600;w=60` (the same draft).',
        "schema": _TEXT,
        "example": '"credential";q=600;w=60, "operator";q=3000;w=60',
    },
    "Retry-After": {
        "description": "After how many seconds to send the same again (RFC 9110, section 10.2.3).",
        "schema": {"type": "integer", "minimum": 1},
        "example": 2,
    },
    "ETag": {
        "description": "The stored version of what is answered (RFC 9110, section 8.8.3): it changes when the thing does.",
        "schema": _TEXT,
        "example": '"invoice-019ed2a5-0c00-7000-8000-000000000001-v1"',
    },
    "Link": {
        "description": "Where to go on (RFC 8288).",
        "schema": _TEXT,
        "example": '</api/v1/accounting/changes>; rel="start"',
    },
    "Location": {
        "description": "Where it is told how far it is (RFC 9110, section 10.2.2).",
        "schema": _TEXT,
        "example": "/api/v1/work/019ed2a5-0c00-7000-8000-000000000001",
    },
    "Preference-Applied": {
        "description": "Which preference was heeded (RFC 7240, section 3).",
        "schema": {"type": "string", "enum": ["respond-async"]},
        "example": "respond-async",
    },
    "Idempotency-Replayed": {
        "description": "`true`: this request was answered before, and here is that answer again.",
        "schema": {"type": "string", "enum": ["true"]},
        "example": "true",
    },
    "WWW-Authenticate": {
        "description": "RFC 6750, section 3.",
        "schema": _TEXT,
        "example": 'Bearer realm="Wickround"',
    },
    "Allow": {"description": "The methods of this address.", "schema": _TEXT, "example": "GET, HEAD"},
}
_ONCE = (
    "A text of your own, new for each thing to be done and the same for each try of it: what was done is then not done "
    "again, and its answer is given again for seven days (draft-ietf-httpapi-idempotency-key-header-07)."
)
PARAMETERS: dict[str, Any] = {
    "IdempotencyKey": {
        "name": "Idempotency-Key",
        "in": "header",
        "required": False,
        "description": _ONCE,
        "schema": {"type": "string", "minLength": 1, "maxLength": 255, "pattern": _KEY},
        "example": "payment-2026-06-15-0001",
    },
    "IdempotencyKeyOfPrograms": {
        "name": "Idempotency-Key",
        "in": "header",
        "required": False,
        "description": f"{_ONCE} A program must send it here; a person, who sees what happened, need not.",
        "schema": {"type": "string", "minLength": 1, "maxLength": 255, "pattern": _KEY},
        "example": "payment-2026-06-15-0001",
    },
    "IfNoneMatch": {
        "name": "If-None-Match",
        "in": "header",
        "required": False,
        "description": "The ETag that you have: 304 and no body while it is still the newest.",
        "schema": _TEXT,
        "example": '"invoice-019ed2a5-0c00-7000-8000-000000000001-v1"',
    },
    "IfMatch": {
        "name": "If-Match",
        "in": "header",
        "required": False,
        "description": "The ETag of what you read: 412 and nothing done if it has changed since. Programs must send it.",
        "schema": _TEXT,
        "example": '"customer-019ed2a5-0c00-7000-8000-000000000002-v3"',
    },
}


def header(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/headers/{name}"}


def parameter(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/parameters/{name}"}
