"""What a command or query answers when it will not do what was asked. The doors turn it into a page or a problem document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from accounts.languages import N_, _


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with what was sent: a JSON pointer to it (RFC 6901), a fixed code, and a plain sentence."""

    pointer: str
    code: str
    detail: str


def pointer_to(name: str) -> str:
    """A JSON pointer to a member of an object (RFC 6901 section 3: ~ and / are escaped)."""
    return "/" + name.replace("~", "~0").replace("/", "~1")


class Refusal(Exception):
    """Base of every answer "no". ``detail`` is a whole sentence for the person: what happened and what to do now.

    ``code`` may be given to name the reason more exactly than the class does.
    """

    code = "refused"
    status = 400
    title = N_("This was not done.")
    # What the answer carries besides, such as where to go instead.
    headers: Mapping[str, str] = {}

    def __init__(self, detail: str, *, code: str | None = None, errors: Sequence[Problem] = ()) -> None:
        super().__init__(detail)
        self.detail = detail
        self.errors = list(errors)
        if code is not None:
            self.code = code

    @property
    def heading(self) -> str:
        """The title in the language of the moment; ``title`` itself names the kind of refusal to programs."""
        return _(self.title)

    def __reduce__(self) -> tuple[object, ...]:
        # BaseException rebuilds from positional arguments only; a refusal must survive the way between processes.
        return (type(self), (self.detail,), self.__dict__.copy())


class BadInput(Refusal):
    code = "bad-input"
    status = 400
    title = N_("Something in this could not be accepted.")


class NotSignedIn(Refusal):
    code = "not-signed-in"
    status = 401
    title = N_("Please sign in.")


class Forbidden(Refusal):
    code = "forbidden"
    status = 403
    title = N_("Your role does not allow this.")


class Insecure(Refusal):
    """Asked by plain HTTP, where everybody on the way reads along."""

    code = "https-needed"
    status = 403
    title = N_("Ask by https.")

    def __init__(self) -> None:
        super().__init__(
            _(
                "This was asked by plain http, and nothing was done. Ask by https; and if a token or a secret was sent, "
                "replace it, for others may have read it on the way."
            )
        )

    def __reduce__(self) -> tuple[object, ...]:
        return (type(self), (), self.__dict__.copy())


class NotFound(Refusal):
    code = "not-found"
    status = 404
    title = N_("There is nothing here.")


class Conflict(Refusal):
    code = "conflict"
    status = 409
    title = N_("This does not fit what is already recorded.")


class Gone(Refusal):
    """What was there once and is no more. ``start`` is the address at which to begin again."""

    code = "gone"
    status = 410
    title = N_("This is no longer here.")

    def __init__(
        self, detail: str, *, start: str = "", code: str | None = None, errors: Sequence[Problem] = ()
    ) -> None:
        super().__init__(detail, code=code, errors=errors)
        if start:
            self.headers = {"Link": f'<{start}>; rel="start"'}


class PreconditionFailed(Refusal):
    code = "precondition-failed"
    status = 412
    title = N_("This was changed in the meantime.")


class PreconditionRequired(Refusal):
    code = "precondition-required"
    status = 428
    title = N_("Say which version you saw.")


class KeyReused(Refusal):
    code = "idempotency-key-reused"
    status = 422
    title = N_("This key was used for something else.")


class TooLarge(Refusal):
    code = "too-large"
    status = 413
    title = N_("This is too much at once.")


class Busy(Refusal):
    code = "busy"
    status = 503
    title = N_("Others are working on this right now.")

    def __init__(
        self,
        detail: str,
        *,
        retry_after_seconds: int = 2,
        code: str | None = None,
        errors: Sequence[Problem] = (),
    ) -> None:
        super().__init__(detail, code=code, errors=errors)
        self.retry_after_seconds = retry_after_seconds


class TooMany(Busy):
    code = "too-many-requests"
    status = 429
    title = N_("These were too many requests.")


class InProgress(Busy):
    """The same was sent a moment ago and is still being done."""

    code = "request-in-progress"
    status = 409
    title = N_("This is being done right now.")


@contextmanager
def pointing_at_one() -> Iterator[None]:
    """For what takes a list and is given one object: what a refusal points at is that object."""
    try:
        yield
    except Refusal as refusal:
        refusal.errors = [
            Problem(one.pointer.removeprefix("/0"), one.code, one.detail) for one in refusal.errors
        ]
        raise
