"""The second factor: asked for at the sign-in, set up there or on one's own page, and the recovery codes, shown once."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from accounts import clock
from accounts.models import User
from accounts.pages.letting_in import let_in
from accounts.queries.second_factor import PROVEN, has_second_factor, needs_second_factor

# In a session that nobody is signed in to yet: whose password was right, when, and where they want to go.
PENDING = "second_factor_for"


def enter(request: HttpRequest, user: User, onward: str) -> HttpResponse:
    """After the right password: ask for the second factor, or for setting one up where it is needed, or let them in."""
    has_one = has_second_factor(user.id)
    request.session.pop(PENDING, None)
    if not has_one and not needs_second_factor(user):
        return let_in(request, user, onward)
    # Nothing of whoever was signed in here before, and another key than the one from before the password.
    request.session.flush()
    request.session[PENDING] = {
        "user": str(user.id),
        "at": clock.now().isoformat(),
        "onward": onward,
        "password": user.get_session_auth_hash(),
    }
    return redirect("second-factor" if has_one else "set-up-second-factor")
