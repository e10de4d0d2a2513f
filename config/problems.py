"""The closed list of problem types (RFC 9457): what each means, what to do about it, and what one looks like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from accounts.errors import (
    BadInput,
    Busy,
    Conflict,
    Forbidden,
    Gone,
    InProgress,
    Insecure,
    KeyReused,
    NotFound,
    NotSignedIn,
    PreconditionFailed,
    PreconditionRequired,
    Problem,
    TooLarge,
    TooMany,
)
from accounts.languages import N_

MEDIA_TYPE = "application/problem+json"


@dataclass(frozen=True, slots=True)
class ProblemType:
    """One entry of the list. ``said``, ``at`` and ``errors`` are those of its example; ``headers`` come with it."""

    status: int
    title: str
    meaning: str
    remedy: str
    said: str
    at: str = "/api/v1/payments"
    errors: Sequence[Problem] = ()
    headers: Sequence[tuple[str, str]] = ()

    @property
    def words(self) -> str:
        """What is said of one of which nothing more is known."""
        return f"{self.meaning} {self.remedy}"


_WAIT = (("Retry-After", "2"),)

PROBLEM_TYPES: dict[str, ProblemType] = {
    "bad-input": ProblemType(
        400,
        BadInput.title,
        N_("Something sent could not be accepted. Nothing was done."),
        N_(
            "Each entry of errors points to what is wrong and says what was expected. Correct it and send it again."
        ),
        "Some of what was sent could not be accepted; nothing was done.",
        errors=[Problem("/amount", "invalid", "A valid number is required.")],
    ),
    "malformed-json": ProblemType(
        400,
        N_("The body could not be read as JSON."),
        N_(
            "A body is JSON in UTF-8, without NaN or Infinity, without a name twice in one object. Nothing was done."
        ),
        N_("Write the body by a JSON library rather than by hand, and send it again."),
        "The body could not be read as JSON: line 1, column 17.",
    ),
    "idempotency-key-missing": ProblemType(
        400,
        N_("The Idempotency-Key is missing."),
        N_("A program does this only with a key of its own, so that it is done once. Nothing was done."),
        N_(
            "Send a new key in the header Idempotency-Key for each thing you do, such as a UUID in quotes, and the same key "
            "when you send that again."
        ),
        "Send a key of your own in the header Idempotency-Key, and the same one when you send this again. Nothing was done.",
    ),
    "operator-missing": ProblemType(
        400,
        N_("The operator is not named."),
        N_("A signed-in person may belong to several operators and has not said for which one they act."),
        N_("Name the operator in the header Wickround-Operator, as it stands in the addresses of its pages."),
        "Name the operator you act for in the header Wickround-Operator.",
    ),
    "not-signed-in": ProblemType(
        401,
        NotSignedIn.title,
        N_("The credential is missing, unknown, expired or revoked."),
        N_(
            "A program gets a new token from /oauth/token and sends this again. A phone needs a new token of its operator."
        ),
        "This token is not valid, or no longer. Ask the operator for a new one.",
        headers=(("WWW-Authenticate", 'Bearer realm="Wickround"'),),
    ),
    "forbidden": ProblemType(
        403,
        Forbidden.title,
        N_("The role, or the scopes that a program was given, do not allow this."),
        N_("Ask an owner of the operator whether yours should, and to give it to you."),
        "Your role does not allow this. Ask an owner of the operator.",
    ),
    "confirm-yourself": ProblemType(
        403,
        N_("Confirm that it is you."),
        N_(
            "A person who signed in with a password does this only within 20 minutes of it. Programs and phones never get this. "
            "Nothing was done."
        ),
        N_("Sign in again, then send the same again."),
        "It is a while since you signed in. Nothing was done; sign in again, then send this again.",
        at="/api/v1/month-closes",
    ),
    "https-needed": ProblemType(
        403,
        Insecure.title,
        N_("This was asked by plain http, where others on the way can read along. Nothing was done."),
        N_("Ask by https. If a token or a secret was sent, replace it."),
        "This was asked by plain http, and nothing was done. Ask by https.",
    ),
    "not-found": ProblemType(
        404,
        NotFound.title,
        N_("There is no such thing here, or it is not yours; the two are not told apart."),
        N_("Check the address and the operator you act for."),
        "There is no payment here with this id.",
        at="/api/v1/payments/00000000-0000-4000-8000-000000000000",
    ),
    "method-not-allowed": ProblemType(
        405,
        N_("This can't be done here."),
        N_("This address does not know the method."),
        N_("The header Allow names the methods of this address."),
        'Method "PATCH" not allowed.',
        headers=(("Allow", "GET, HEAD, POST"),),
    ),
    "not-acceptable": ProblemType(
        406,
        N_("There is no answer of the kind asked for."),
        N_("The header Accept asks for a media type that this address does not have."),
        N_(
            "Answers are JSON: accept application/json. The description of the API names where there are others."
        ),
        "Could not satisfy the request Accept header.",
    ),
    "conflict": ProblemType(
        409,
        Conflict.title,
        N_("It does not fit what is recorded, which stays as it is. Nothing was done."),
        N_("Read what is recorded, then decide."),
        "Of INV-000001 49.00 EUR is left. Nothing was recorded.",
        errors=[
            Problem(
                "/allocations/0", "more-than-left", "Of INV-000001 49.00 EUR is left. Nothing was recorded."
            )
        ],
    ),
    "request-in-progress": ProblemType(
        409,
        InProgress.title,
        N_("A request with the same Idempotency-Key is still being done."),
        N_(
            "Wait as long as the header Retry-After says, then send the same again: it gets the first one's answer."
        ),
        "The same request is still being done. Send it again in a moment to get its answer.",
        headers=(("Retry-After", "1"),),
    ),
    "gone": ProblemType(
        410,
        Gone.title,
        N_("It was here once and was removed."),
        N_("Forget the address. The header Link names where to begin again, if there is such a place."),
        "This was removed.",
    ),
    "feed-token-expired": ProblemType(
        410,
        N_("This token no longer says what you have read."),
        N_(
            "The books were restored since it was given, so what you hold may differ from what is recorded; or you may see more "
            "than the reader whom it was given to, and what that one passed over would be missing."
        ),
        N_(
            "Read everything anew, from the address that the header Link calls start, and put it in the place of what you "
            "hold."
        ),
        "The database was restored or moved since this token was given, so it no longer says what you have read. Read "
        "everything once more from /api/v1/accounting/changes, without a token.",
        at="/api/v1/accounting/changes",
        headers=(("Link", '</api/v1/accounting/changes>; rel="start"'),),
    ),
    "precondition-failed": ProblemType(
        412,
        PreconditionFailed.title,
        N_("The ETag in If-Match is not that of the version which is stored. Nothing was done."),
        N_("Read it again, put your change to what you read, and send it with the new ETag."),
        "Somebody changed this since you read it; nothing was changed. Read it again, then decide.",
        at="/api/v1/customers/00000000-0000-4000-8000-000000000000/billing-profile",
    ),
    "too-large": ProblemType(
        413,
        TooLarge.title,
        N_(
            "A body may have up to 1 MiB, a photo up to 2 MB, an upload up to 500 events. Nothing was stored."
        ),
        N_("Send it in parts."),
        "A body may have up to 1048576 bytes. Nothing was stored; send it in parts.",
    ),
    "unsupported-media-type": ProblemType(
        415,
        N_("This kind of body is not read here."),
        N_("The header Content-Type names something that this address does not read."),
        N_("Send JSON, as application/json, unless the description of the API says otherwise."),
        'Unsupported media type "text/plain" in request.',
    ),
    "idempotency-key-reused": ProblemType(
        422,
        KeyReused.title,
        N_(
            "An Idempotency-Key belongs to one request, and this one came with another body or address before."
        ),
        N_("Use a new key for what is new. Send exactly the same again only to get its answer again."),
        "This Idempotency-Key was used for another request. Nothing was done; use a new key for this.",
    ),
    "precondition-required": ProblemType(
        428,
        PreconditionRequired.title,
        N_(
            "A program that changes this must say which version it saw, so that it undoes nobody's change unseen."
        ),
        N_("Read it, and send its ETag in the header If-Match with your change."),
        "Send the ETag of the version you saw in the header If-Match. Nothing was changed.",
        at="/api/v1/customers/00000000-0000-4000-8000-000000000000/billing-profile",
    ),
    "too-many-requests": ProblemType(
        429,
        TooMany.title,
        N_("You ask more often than is allowed. Nothing was done."),
        N_(
            "Wait as long as the header Retry-After says, then go on. RateLimit says with each answer how many are left."
        ),
        "You ask more often than is allowed. Nothing was done; go on in 1 s.",
        headers=(("Retry-After", "1"), ("RateLimit", '"credential";r=0;t=12, "operator";r=480;t=3')),
    ),
    "internal-error": ProblemType(
        500,
        N_("Something went wrong on our side."),
        N_("It has been noted."),
        N_(
            "Sending the same again is safe for service events, and for whatever came with an Idempotency-Key. Else look "
            "first what is recorded."
        ),
        "It has been noted.",
    ),
    "busy": ProblemType(
        503,
        Busy.title,
        N_("Others are working on the same things. Nothing was done."),
        N_("Wait as long as the header Retry-After says, then send the same again."),
        "Others are working on this. Nothing was done; try again in a moment.",
        headers=_WAIT,
    ),
}


def type_uri(code: str) -> str:
    """The name of a type, which is the address of its page; whole where the server knows its own (RFC 9457, 3.1.1)."""
    return f"{settings.PUBLIC_URL}/problems/{code}"


def document(code: str, path: str, detail: str = "", errors: Sequence[Problem] = ()) -> dict[str, Any]:
    """A problem document of a listed type. ``path`` is the address that was asked, without its query."""
    kind = PROBLEM_TYPES[code]
    return {
        "type": type_uri(code),
        "title": kind.title,
        "status": kind.status,
        "detail": detail or kind.words,
        "instance": path,
        "errors": [{"pointer": one.pointer, "code": one.code, "detail": one.detail} for one in errors],
    }


def example_of(code: str) -> dict[str, Any]:
    """A problem document as one may get it."""
    kind = PROBLEM_TYPES[code]
    return document(code, kind.at, kind.said, kind.errors)
