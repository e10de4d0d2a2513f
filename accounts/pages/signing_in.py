"""Who signs in, and for which of their operators."""

from __future__ import annotations

import logging

from django.contrib.auth import authenticate, logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from accounts import limits, queries
from accounts.commands import throttling
from accounts.errors import TooMany
from accounts.models import User
from accounts.pages import second_factor
from accounts.pages.letting_in import device_cookie

log = logging.getLogger("wickround.security")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """E-mail and password. The answer to a wrong pair never says which of the two was wrong, nor does its time.

    Who tries too often is told how long to wait, before anything typed is looked at.
    """
    onward = request.POST.get("next") or request.GET.get("next") or ""
    # A path of ours: of anything else a redirect makes what nobody meant, such as the address of a page by its name.
    is_ours = url_has_allowed_host_and_scheme(onward, {request.get_host()}, require_https=request.is_secure())
    if not (is_ours and onward.startswith("/")):
        onward = reverse("choose-operator")
    page = {"email": request.POST.get("email", ""), "next": onward, "is_refused": False, "wait": ""}
    if request.method != "POST":
        return render(request, "accounts/sign_in.html", page)
    try:
        person = _person_of(request)
    except TooMany as refusal:
        answer = render(
            request, "accounts/sign_in.html", page | {"wait": refusal.detail}, status=refusal.status
        )
        answer["Retry-After"] = str(refusal.retry_after_seconds)
        return answer
    if person is None:
        return render(request, "accounts/sign_in.html", page | {"is_refused": True}, status=422)
    return second_factor.enter(request, person, onward)


def _person_of(request: HttpRequest) -> User | None:
    """Whose e-mail address and password were typed; None for a wrong pair, TooMany for one that is not looked at.

    The password is hashed once in any case: for an address nobody has, and for people who may not sign in or have no
    password, Django hashes one too.
    """
    email = request.POST.get("email", "")
    tried = throttling.tallies_of_sign_in(
        email=email, network=limits.network_of(request), device=device_cookie(request)
    )
    # Enough to see who is guessed at, and nobody's address: the same keyed hash as in the table.
    whom, sender = tried[0].key.hex()[:16], limits.sender_of(request)
    try:
        throttling.may_try(*tried)
    except TooMany:
        log.warning("sign_in_throttled %s=%s address=%s", tried[0].kind, whom, sender)
        raise
    person = authenticate(request, username=email, password=request.POST.get("password", ""))
    if not isinstance(person, User):
        log.warning("sign_in_refused %s=%s address=%s", tried[0].kind, whom, sender)
        return None
    throttling.was_right(*tried)
    return person


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    answer = redirect("sign-in")
    # What the browser kept of the pages goes with the session; its cookies stay, for it is still a known browser.
    answer["Clear-Site-Data"] = '"cache", "storage"'
    return answer


@never_cache
@require_http_methods(["GET", "HEAD"])
def choose_operator(request: HttpRequest) -> HttpResponse:
    """Straight on for a member of one operator; a list for a member of several, and for who of the service may look."""
    if not request.user.is_authenticated:
        return redirect("sign-in")
    memberships = queries.memberships_of(request.user.id)
    is_support = request.user.is_support
    looks = queries.looks_of(request.user.id) if is_support else []
    if len(memberships) == 1 and not looks:
        return redirect(memberships[0].home, slug=memberships[0].slug)
    page = {"memberships": memberships, "looks": looks, "is_support": is_support}
    return render(request, "accounts/choose_operator.html", page)
