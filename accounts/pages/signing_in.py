"""Who signs in, and for which of their operators."""

from __future__ import annotations

from django.contrib.auth import authenticate, login, logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from accounts import queries


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """E-mail and password. The answer to a wrong pair never says which of the two was wrong."""
    onward = request.POST.get("next") or request.GET.get("next") or ""
    if not url_has_allowed_host_and_scheme(onward, {request.get_host()}, require_https=request.is_secure()):
        onward = reverse("choose-operator")
    email = request.POST.get("email", "")
    if request.method == "POST":
        user = authenticate(request, username=email, password=request.POST.get("password", ""))
        if user is not None:
            login(request, user)
            return redirect(onward)
    refused = request.method == "POST"
    page = {"email": email, "next": onward, "is_refused": refused}
    return render(request, "accounts/sign_in.html", page, status=422 if refused else 200)


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect("sign-in")


@never_cache
@require_http_methods(["GET", "HEAD"])
def choose_operator(request: HttpRequest) -> HttpResponse:
    """Straight on for a member of one operator; a list for a member of several."""
    if not request.user.is_authenticated:
        return redirect("sign-in")
    memberships = queries.memberships_of(request.user.id)
    if len(memberships) == 1:
        return redirect(memberships[0].home, slug=memberships[0].slug)
    return render(request, "accounts/choose_operator.html", {"memberships": memberships})
