"""Which sessions are in use: a request that reads its person's session keeps it alive."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase

from accounts.commands.sessions import note_use

# Pages that a browser asks for by itself, with nobody there: a lookout left open would keep its session to the end.
BY_THEMSELVES = frozenset({"lookout-changes"})


class SessionsInUse:
    """Notes the use, at most once a minute, after the answer is made: a session that is over by then is not called back."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        match = request.resolver_match
        if request.session.accessed and not (match and match.view_name in BY_THEMSELVES):
            note_use(request.session)  # type: ignore[arg-type]  # django-stubs know no other store
        return response
