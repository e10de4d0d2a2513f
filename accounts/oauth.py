"""Where programs sign in: OAuth 2.0 client credentials (RFC 6749 section 4.4), revocation (RFC 7009), metadata (RFC 8414).

The grant's own rules are the library's; who a client is, its scopes and its tokens are ours.
"""

from __future__ import annotations

import base64
import binascii
import json
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any
from urllib.parse import unquote_plus

from django.core.exceptions import BadRequest, SuspiciousOperation
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, JsonResponse
from django.http.multipartparser import MultiPartParserError
from django.http.request import UnreadablePostError
from oauth2_provider.oauth2_backends import OAuthLibCore
from oauth2_provider.oauth2_validators import OAuth2Validator
from oauth2_provider.scopes import BaseScopes
from oauth2_provider.views import OAuthServerMetadataView, RevokeTokenView, TokenView
from oauthlib.common import Request as OAuthRequest
from oauthlib.oauth2.rfc6749 import errors

from accounts.commands import clients
from accounts.models import MachineClient
from accounts.permissions import PROGRAM_SCOPES

CHALLENGE = 'Basic realm="Wickround", charset="UTF-8"'  # RFC 7617 section 2
UNREADABLE = (BadRequest, MultiPartParserError, SuspiciousOperation, UnreadablePostError)


class ClientScopes(BaseScopes):
    """A client's own scopes: what it gets when it asks for none, and all that it may ask for."""

    def get_all_scopes(self) -> dict[str, str]:
        return {scope.value: words for scope, words in PROGRAM_SCOPES.items()}

    def get_available_scopes(
        self, application: MachineClient | None = None, request: Any = None, *args: Any, **kwargs: Any
    ) -> list[str]:
        """Of a client; without one, of all programs."""
        return [*self.get_all_scopes()] if application is None else application.scopes

    def get_default_scopes(
        self, application: MachineClient | None = None, request: Any = None, *args: Any, **kwargs: Any
    ) -> list[str]:
        return [] if application is None else application.scopes


def new_token(_request: OAuthRequest) -> str:
    return clients.new_token()


class ClientCredentials(OAuth2Validator):
    """Knows clients by their live secrets, and keeps tokens as rows of their operator."""

    def client_authentication_required(self, request: OAuthRequest, *args: Any, **kwargs: Any) -> bool:
        return True

    def authenticate_client(self, request: OAuthRequest, *args: Any, **kwargs: Any) -> bool:
        """By HTTP Basic or by the body, one of the two (RFC 6749 section 2.3). Every failure gets the same answer."""
        header = request.headers.get("HTTP_AUTHORIZATION", "")
        if header and request.client_secret:
            raise errors.InvalidRequestError(
                "Send the credentials in the header or in the body, not in both."
            )
        given = _basic(header) if header else (request.client_id, request.client_secret)
        if not given or not all(given) or (request.client_id or given[0]) != given[0]:
            return False
        proven = clients.prove(client_id=given[0], secret=given[1])
        if proven is None:
            return False
        request.client, request.client_id, request.proven = proven.client, proven.client.client_id, proven
        return True

    def save_bearer_token(
        self, token: Mapping[str, Any], request: OAuthRequest, *args: Any, **kwargs: Any
    ) -> None:
        clients.keep_token(
            proven=request.proven,
            token=token["access_token"],
            scopes=token["scope"].split(),
            seconds=token["expires_in"],
        )

    def revoke_token(
        self, token: str, token_type_hint: str | None, request: OAuthRequest, *args: Any, **kwargs: Any
    ) -> None:
        clients.forget_token(client=request.client, token=token)


class FormFields(OAuthLibCore):
    """The fields of a posted form; one without a value counts as left out (RFC 6749 section 3.2)."""

    def extract_body(self, request: HttpRequest) -> list[tuple[str, str]]:
        return [(name, value) for name, value in request.POST.items() if isinstance(value, str) and value]


def _basic(header: str) -> tuple[str, str] | None:
    """Client id and secret of an Authorization header, each form-encoded before (RFC 6749 section 2.3.1)."""
    kind, _, value = header.partition(" ")
    if kind.lower() != "basic":
        return None
    try:
        client_id, colon, secret = base64.b64decode(value.strip(), validate=True).decode().partition(":")
    except (binascii.Error, ValueError):
        return None
    return (unquote_plus(client_id), unquote_plus(secret)) if colon else None


class _Posted(ABC):
    """What both endpoints do alike: POST only, form fields once each, and every fault as RFC 6749 section 5.2 has it."""

    http_method_names = ["post"]

    def http_method_not_allowed(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        return _uncached(HttpResponseNotAllowed(["POST"]))

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            fault = _fault(request)
        except UNREADABLE:
            fault = "The body could not be read."
        if fault:
            return _uncached(
                JsonResponse({"error": "invalid_request", "error_description": fault}, status=400)
            )
        headers, body, status = self.answer(request)
        response = HttpResponse(body or "", status=status, content_type="application/json")
        if status == 401:  # noqa: PLR2004
            headers = {**headers, "WWW-Authenticate": CHALLENGE}
        for name, value in headers.items():
            response[name] = value
        return _uncached(response)

    @abstractmethod
    def answer(self, request: HttpRequest) -> tuple[Mapping[str, str], str, int]:
        """Headers, body and status of a request that could be read."""


def _fault(request: HttpRequest) -> str:
    """What is wrong with the form of a request, in a sentence; "" if nothing is."""
    if request.META.get("QUERY_STRING"):
        return "Send the parameters in the body; the address has none."
    if request.content_type != "application/x-www-form-urlencoded":
        return "Send the parameters as application/x-www-form-urlencoded."
    for name, values in request.POST.lists():
        if len(values) > 1:
            return f"Send {name} once." if name.isidentifier() else "Send each parameter once."
    return ""


def _uncached(response: HttpResponse) -> HttpResponse:
    response["Cache-Control"] = "no-store"
    response["Pragma"] = "no-cache"
    return response


class TokenDoor(_Posted, TokenView):
    """A token for the credentials of a client."""

    def answer(self, request: HttpRequest) -> tuple[Mapping[str, str], str, int]:
        _, headers, body, status = self.create_token_response(request)
        return headers, body, status


class RevocationDoor(_Posted, RevokeTokenView):
    """The end of a token, at the wish of the client that has it."""

    def answer(self, request: HttpRequest) -> tuple[Mapping[str, str], str, int]:
        _, headers, body, status = self.create_revocation_response(request)
        return headers, body, status


class Metadata(OAuthServerMetadataView):
    """Where the endpoints are and what they take, for programs that set themselves up."""

    http_method_names = ["get", "head"]

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        response = super().get(request, *args, **kwargs)
        told = json.loads(response.content)
        # There is no authorization endpoint whose answers could name the issuer.
        told.pop("authorization_response_iss_parameter_supported", None)
        response.content = json.dumps(told).encode()
        return response
