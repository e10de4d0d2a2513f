"""Passwords: changed on one's own page, and a new one for who forgot theirs, by a mailed link."""

from __future__ import annotations

import base64
from typing import Any
from uuid import UUID

from django import forms
from django.contrib.auth import logout, update_session_auth_hash
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from accounts import limits, queries
from accounts.commands import forgotten, passwords
from accounts.errors import NotFound, Refusal
from accounts.languages import _
from accounts.models import User
from accounts.pages.confirming import waiting
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import say
from accounts.pages.letting_in import know_browser
from accounts.permissions import Permission
from accounts.queries.sealing import seal_text, unseal_text

# What the link's address ends with once its token stands in the session, where no page that it leads to learns it.
IN_SESSION = "choose"
_TOKEN = "new_password_token"  # noqa: S105 - the name of a key
_PURPOSE = "token of a new password"


def _password(label: Any, *, is_new: bool, **kwargs: Any) -> forms.CharField:
    """Longer ones than any that may be are told so by the rules, up to what a hash is made of."""
    return forms.CharField(
        label=label,
        strip=False,
        max_length=1024,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password" if is_new else "current-password"}),
        error_messages={"required": gettext_lazy("Fill this in.")},
        **kwargs,
    )


class NewPasswordForm(forms.Form):
    password = _password(
        gettext_lazy("New password"),
        is_new=True,
        help_text=gettext_lazy("At least twelve characters; a few words are easy to remember."),
    )
    again = _password(gettext_lazy("The same again"), is_new=True)

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("password") and values.get("again") and values["password"] != values["again"]:
            self.add_error("again", _("The two passwords differ."))
        return values


class ChangeForm(NewPasswordForm):
    current = _password(gettext_lazy("Present password"), is_new=False)
    field_order = ("current", "password", "again")


class ForgottenForm(forms.Form):
    email = forms.EmailField(
        label=gettext_lazy("E-mail address"),
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "username"}),
        error_messages={
            "required": gettext_lazy("Fill this in."),
            "invalid": gettext_lazy("This is no e-mail address, such as jo@operator.example."),
        },
    )


@operator_page(Permission.OWN_SETTINGS, "GET", "HEAD", "POST")
def own(request: OperatorRequest) -> HttpResponse:
    """Another password for whoever is signed in. It asks for the present one, so it needs no other confirmation."""
    if request.method != "POST":
        return _own(request, ChangeForm())
    form = ChangeForm(request.POST)
    if not form.is_valid():
        return _own(request, form, status=422)
    try:
        person = passwords.change_password(
            actor=request.actor,
            user_id=request.user.id,
            current=form.cleaned_data["current"],
            password=form.cleaned_data["password"],
            session_key=request.session.session_key or "",
        )
    except Refusal as refusal:
        say(form, refusal)
        return waiting(_own(request, form, status=refusal.status), refusal)
    # This session goes on with the new password, under a new key.
    update_session_auth_hash(request, person)
    return redirect(f"{reverse('own-password', args=[request.operator.slug])}?done=changed")


def _own(request: OperatorRequest, form: ChangeForm, *, status: int = 200) -> HttpResponse:
    page = {"form": form, "is_changed": request.GET.get("done") == "changed"}
    return render(request, "accounts/own_password.html", page, status=status)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def forgotten_password(request: HttpRequest) -> HttpResponse:
    """Ask for a link to a new password. The answer is the same whether anybody works here by the address or not."""
    if not forgotten.is_mailed():
        return render(request, "accounts/forgotten_password.html", {"is_mailed": False})
    form = ForgottenForm(request.POST if request.method == "POST" else None)
    page = {"is_mailed": True, "form": form, "is_asked": request.GET.get("done") == "asked"}
    if not form.is_bound:
        return render(request, "accounts/forgotten_password.html", page)
    if not form.is_valid():
        return render(request, "accounts/forgotten_password.html", page, status=422)
    try:
        forgotten.ask_for_new_password(email=form.cleaned_data["email"], network=limits.network_of(request))
    except Refusal as refusal:
        say(form, refusal)
        answer = render(request, "accounts/forgotten_password.html", page, status=refusal.status)
        return waiting(answer, refusal)
    return redirect(f"{reverse('forgotten-password')}?done=asked")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def new_password(request: HttpRequest, person_id: UUID, token: str) -> HttpResponse:
    """What the mailed link opens: its token goes into the session, then a new password is chosen. Signs nobody in."""
    if token != IN_SESSION:
        if _person(person_id, token) is None:
            return _new_password(request, None, status=404)
        request.session[_TOKEN] = _sealed(person_id, token)
        return _unlisted(redirect("new-password", person_id=person_id, token=IN_SESSION), "no-referrer")
    token = _kept_for(request, person_id)
    if _person(person_id, token) is None:
        return _new_password(request, None, status=404)
    form = NewPasswordForm(request.POST if request.method == "POST" else None)
    if not form.is_valid():
        return _new_password(request, form, status=422 if form.is_bound else 200)
    try:
        passwords.reset_password(user_id=person_id, token=token, password=form.cleaned_data["password"])
    except Refusal as refusal:
        say(form, refusal)
        return _new_password(request, None if isinstance(refusal, NotFound) else form, status=refusal.status)
    if request.user.pk == person_id:
        # Theirs here is over like all others; what is left of it is not to be stored again.
        logout(request)
    else:
        request.session.pop(_TOKEN, None)
    answer = _unlisted(redirect("new-password-set"))
    # No other browser is known any more. While somebody guesses at the account they would not come in by any.
    know_browser(request, answer, person_id)
    return answer


def _sealed(person_id: UUID, token: str) -> dict[str, str]:
    """What a session keeps of a token: a copy of the table opens nothing."""
    sealed = seal_text(_PURPOSE, person_id.bytes, token)
    return {"person": str(person_id), "sealed": base64.b64encode(sealed).decode()}


def _kept_for(request: HttpRequest, person_id: UUID) -> str:
    """The token that the session keeps for this person; "" for none."""
    kept = request.session.get(_TOKEN)
    if kept is None or kept["person"] != str(person_id):
        return ""
    return unseal_text(_PURPOSE, person_id.bytes, base64.b64decode(kept["sealed"])) or ""


def _person(person_id: UUID, token: str) -> User | None:
    """Whose new password the token is for; None when it is over."""
    try:
        person = queries.get_user(person_id)
    except User.DoesNotExist:
        return None
    return person if passwords.is_good_token(person, token) else None


def _new_password(request: HttpRequest, form: NewPasswordForm | None, *, status: int) -> HttpResponse:
    """The form; without one, that the link is over."""
    return _unlisted(render(request, "accounts/new_password.html", {"form": form}, status=status))


def _unlisted(answer: HttpResponse, referrer: str = "same-origin") -> HttpResponse:
    """The address is a key: no page elsewhere that it leads to learns it, no search engine lists it.

    A page with a form does not say "no-referrer": a browser would send the form as from nowhere, which is refused as forged.
    """
    answer["Referrer-Policy"] = referrer
    answer["X-Robots-Tag"] = "noindex, nofollow"
    return answer


@never_cache
@require_safe
def new_password_set(request: HttpRequest) -> HttpResponse:
    """After a new password: that it holds, and the way to sign in with it."""
    return render(request, "accounts/new_password_set.html")
