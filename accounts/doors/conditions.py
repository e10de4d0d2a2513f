"""Conditional requests (RFC 9110 section 13): the tag of a stored version, and what a request says of it.

The tag is of the version that is stored, not of the bytes that show it: it changes when the thing does, and only then.
"""

from __future__ import annotations

import re
from urllib.parse import quote
from uuid import UUID

from rest_framework.request import Request

from accounts.errors import PreconditionFailed, PreconditionRequired
from accounts.languages import _
from accounts.permissions import Actor, ActorKind

# RFC 9110 section 8.8.3: an opaque tag in quotes, before it W/ for a weak one. A comma may stand inside.
_TAG = re.compile(r'(W/)?("[\x21\x23-\x7e\x80-\xff]*")')
_ANY = "*"


def version_tag(kind: str, id: object, version: int) -> str:  # noqa: A002
    """The ETag of a stored version, such as ``"invoice-<id>-v7"``; what no tag may hold is percent-encoded."""
    # An id of hexadecimal digits and dashes has nothing to encode, and pages have hundreds of them.
    said = str(id) if isinstance(id, UUID) else quote(str(id), safe="/:._~")
    return f'"{kind}-{said}-v{version}"'


def is_known(request: Request, tag: str) -> bool:
    """Whether the reader says that it has this version already (If-None-Match; weak comparison)."""
    sent = request.headers.get("If-None-Match")
    return sent is not None and (sent.strip() == _ANY or tag in {one for _weak, one in _TAG.findall(sent)})


def required_match(request: Request, tag: str | None) -> None:
    """Let a change through only if its sender saw the version that is stored; ``tag`` None: nothing is stored yet.

    Ask it in the transaction that makes the change, after the row is locked, else another change may come between.
    PreconditionFailed (412) when another version is stored; PreconditionRequired (428) when a program does not say which
    one it saw. A person may leave it out.
    """
    wanted = request.headers.get("If-Match")
    if tag is not None and is_known(request, tag):
        raise PreconditionFailed(_("There is one already; nothing was changed. Read it, then decide."))
    if wanted is None:
        if tag is not None and _is_program(request):
            raise PreconditionRequired(
                _("Send the ETag of the version you saw in the header If-Match. Nothing was changed.")
            )
        return
    # Strong comparison: a weak tag never matches.
    strong = {one for weak, one in _TAG.findall(wanted) if not weak}
    if tag is None or (wanted.strip() != _ANY and tag not in strong):
        raise PreconditionFailed(
            _("Somebody changed this since you read it; nothing was changed. Read it again, then decide.")
        )


def _is_program(request: Request) -> bool:
    return isinstance(request.auth, Actor) and request.auth.kind == ActorKind.CLIENT
