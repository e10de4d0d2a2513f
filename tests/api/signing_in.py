"""How a program asks at the endpoints of OAuth, and what it is told there."""

from __future__ import annotations

import base64
from urllib.parse import quote_plus, urlencode

from tests.api.callers import FORM, Api

TOKEN, REVOKE = "/oauth/token", "/oauth/revoke"
SCOPES = ["invoices:read", "journal:read"]
GRANT = {"grant_type": "client_credentials"}


def basic(client_id, secret):
    """RFC 6749 section 2.3.1: each is form-encoded, then the two go the way of HTTP Basic."""
    pair = f"{quote_plus(client_id)}:{quote_plus(secret)}"
    return {"authorization": "Basic " + base64.b64encode(pair.encode()).decode()}


def ask(form, *, at=TOKEN, headers=None, kind=FORM):
    body = form if isinstance(form, str | bytes) else urlencode(form)
    return Api(enforce_csrf_checks=True).post(at, body, content_type=kind, headers=headers or {})


def credentials(program):
    client, secret = program
    return {"client_id": client.client_id, "client_secret": secret}


def error(answer, status, name):
    """RFC 6749 section 5.2: JSON with ``error``; never cached."""
    assert answer.status_code == status, answer.content
    assert answer.headers["Content-Type"].startswith("application/json")
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.json()["error"] == name
    assert set(answer.json()) <= {"error", "error_description", "error_uri"}
    return answer


def token_of(answer):
    assert answer.status_code == 200, answer.content
    return answer.json()["access_token"]
