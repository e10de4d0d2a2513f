"""Who may call an operation, as the document says it: a program by its scope, a phone, a signed-in person."""

from __future__ import annotations

from typing import Any

from django.conf import settings

from accounts.authentication import OPERATOR_HEADER
from accounts.permissions import PROGRAM_SCOPES, ROLE_PERMISSIONS, Permission, Role
from config.schema.words import plain

TOKEN_ADDRESS = "/oauth/token"  # noqa: S105

SCHEMES: dict[str, Any] = {
    "program": {
        "type": "oauth2",
        "description": (
            "A program of the operator's: an owner makes it on the page Programs. It trades its id and secret for a token "
            "of 15 minutes (RFC 6749, section 4.4) and sends that as `Authorization: Bearer`."
        ),
        "flows": {
            "clientCredentials": {
                "tokenUrl": TOKEN_ADDRESS,
                "scopes": {str(scope): plain(words) for scope, words in sorted(PROGRAM_SCOPES.items())},
            }
        },
    },
    "phone": {"type": "http", "scheme": "bearer", "description": "The token of a crew's phone."},
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": settings.SESSION_COOKIE_NAME,
        "description": "A signed-in person, who also sends the CSRF token in X-CSRFToken with what writes.",
    },
    "operator": {
        "type": "apiKey",
        "in": "header",
        "name": OPERATOR_HEADER,
        "description": "The address part of the operator that a signed-in person acts for.",
    },
}


def credentials_for(permission: Permission) -> list[dict[str, list[str]]]:
    """The credentials with which an operation can be allowed; a person's role decides besides."""
    found: list[dict[str, list[str]]] = []
    if permission in PROGRAM_SCOPES:
        found.append({"program": [str(permission)]})
    if permission in ROLE_PERMISSIONS[Role.CREW_MEMBER]:
        found.append({"phone": []})
    return [*found, {"session": [], "operator": []}]
