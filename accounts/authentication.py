"""Who is at an API door: the credentials, and the permission that each view declares.

The actor comes from the credential of the request and is read anew for each: a role taken away ends with the next one.
"""

from __future__ import annotations

from typing import Any

from rest_framework.authentication import BaseAuthentication, SessionAuthentication, get_authorization_header
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from accounts import clock, queries
from accounts.commands import clients
from accounts.commands.operators import token_digest
from accounts.errors import BadInput, Forbidden, NotFound, NotSignedIn
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Role, require
from accounts.queries.confirming import has_confirmed
from accounts.queries.second_factor import is_missing

CHALLENGE = 'Bearer realm="Wickround"'  # RFC 6750 section 3
OPERATOR_HEADER = "Wickround-Operator"


class BearerToken(BaseAuthentication):
    """``Authorization: Bearer ...``: a phone's token (wr_...), or one that a program got by OAuth (wp_...).

    The token says for which operator. Every credential of another kind, and a token that is unknown, expired or
    revoked, gets the same answer.
    """

    def authenticate(self, request: Request) -> tuple[None, Actor] | None:
        header = get_authorization_header(request).split()
        if not header:
            return None
        actor = None
        if len(header) == 2 and header[0].lower() == b"bearer":  # noqa: PLR2004
            token = header[1].decode("latin-1")
            actor = _program(token) if token.startswith(clients.TOKEN) else _phone(token)
        if actor is None:
            raise NotSignedIn(_("This token is not valid, or no longer. Ask the operator for a new one."))
        return None, actor

    def authenticate_header(self, request: Request) -> str:
        return CHALLENGE


def _phone(token: str) -> Actor | None:
    binding = queries.token_binding(token_digest(token))
    if binding is None or binding.revoked_at is not None:
        return None
    if binding.expires_at is not None and binding.expires_at <= clock.now():
        return None
    return Actor(
        operator_id=binding.operator_id,
        kind=ActorKind.DEVICE,
        role=binding.role,
        id=binding.device_id,
        name=binding.label,
        crew_id=binding.crew_id,
    )


def _program(token: str) -> Actor | None:
    binding = queries.client_token_binding(token_digest(token))
    if binding is None or not binding.is_live(clock.now()):
        return None
    clients.note_use(binding)
    return Actor(
        operator_id=binding.operator_id,
        kind=ActorKind.CLIENT,
        role=Role.OWNER,
        id=binding.client_uuid,
        name=binding.name,
        # A scope taken from the program is gone from its tokens too.
        scopes=clients.granted(binding.scopes) & clients.granted(binding.client_scopes),
    )


class MemberSession(SessionAuthentication):
    """A signed-in person, who names the operator in the header ``Wickround-Operator``; unsafe methods need the CSRF token."""

    def authenticate(self, request: Request) -> tuple[Any, Actor] | None:
        signed_in = super().authenticate(request)
        if signed_in is None:
            return None
        user = signed_in[0]
        slug = request.headers.get(OPERATOR_HEADER)
        if not slug:
            raise BadInput(
                _("Name the operator you act for in the header {header}.", header=OPERATOR_HEADER),
                code="operator-missing",
            )
        for membership in queries.memberships_of(user.pk):
            if membership.slug == slug:
                if is_missing(membership.role, request.session):
                    raise NotSignedIn(
                        _("Your role signs in with a second factor. Sign in again, and give it.")
                    )
                return user, Actor(
                    operator_id=membership.operator_id,
                    kind=ActorKind.MEMBER,
                    role=membership.role,
                    id=membership.member_id,
                    name=membership.member_name,
                    crew_id=membership.crew_id,
                )
        raise NotFound(_("You are not a member of an operator of this name."))


class HasDeclaredPermission(BasePermission):
    """Each view declares the permission of each of its methods; what is not declared is refused.

    Its ``recent`` methods are for a person who signed in or confirmed lately, as the pages of the same acts are; a program
    or a phone has no desk at which somebody else may sit down.
    """

    def has_permission(self, request: Request, view: Any) -> bool:
        if not isinstance(request.auth, Actor):
            raise NotSignedIn(_("Send a bearer token, or sign in and name the operator."))
        method = "GET" if request.method == "HEAD" else str(request.method)
        permission = getattr(view, "permissions", {}).get(method)
        if permission is None:
            if method not in view.allowed_methods:
                raise MethodNotAllowed(method)
            raise Forbidden(_("Nobody may do this here."))
        require(request.auth, permission)
        if method in getattr(view, "recent", ()) and isinstance(
            request.successful_authenticator, MemberSession
        ):
            _refuse_long_ago(request)
        return True


def _refuse_long_ago(request: Request) -> None:
    if not has_confirmed(request.session, to_act=True):
        raise Forbidden(
            _("It is a while since you signed in. Nothing was done; sign in again, then send this again."),
            code="confirm-yourself",
        )
