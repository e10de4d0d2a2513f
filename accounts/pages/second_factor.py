"""The second factor: asked for at the sign-in, set up there or on one's own page, and the recovery codes, shown once.

What is not kept in readable form stands sealed in the session until it is done with: a secret that no first code has
confirmed yet, and new recovery codes until their person has them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.crypto import constant_time_compare
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from accounts import clock, queries
from accounts.commands import second_factor as commands
from accounts.errors import Refusal, TooMany
from accounts.languages import _
from accounts.models import User
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Text, say
from accounts.pages.letting_in import let_in
from accounts.permissions import Permission
from accounts.queries import second_factor as found
from accounts.queries.second_factor import PROVEN
from accounts.rules import second_factor as rules

# In a session that nobody is signed in to yet: whose password was right, when, and where they want to go.
PENDING = "second_factor_for"
PENDING_FOR = timedelta(minutes=10)
# A new secret, sealed, until its first code; and new recovery codes, sealed, until their person has them.
SETTING_UP = "second_factor_new"
CODES = "recovery_codes"
_KEPT_FOR = timedelta(hours=1)
SERVICE = "Wickround"


class CodeForm(forms.Form):
    code = Text(
        label=gettext_lazy("Code that your authenticator shows"),
        max_length=20,
        attrs={"autocomplete": "one-time-code", "inputmode": "numeric"},
    )

    def __init__(self, *args: Any, is_first: bool = False, **kwargs: Any) -> None:
        """``is_first``: nothing on the page comes before it, so that one can type at once."""
        super().__init__(*args, **kwargs)
        if is_first:
            self.fields["code"].widget.attrs["autofocus"] = True

    @property
    def typed(self) -> str:
        return str(self.cleaned_data["code"])

    def clean_code(self) -> str:
        code = rules.digits_of(self.cleaned_data["code"])
        if not code:
            raise forms.ValidationError(_("A code is six digits, such as 123456."))
        return code


class RecoveryForm(forms.Form):
    recovery = Text(
        label=gettext_lazy("Recovery code"), max_length=60, attrs={"autocapitalize": "characters"}
    )

    @property
    def typed(self) -> str:
        return str(self.cleaned_data["recovery"])

    def clean_recovery(self) -> str:
        typed: str = self.cleaned_data["recovery"]
        if rules.recovery_digest(typed) is None:
            raise forms.ValidationError(
                _("A recovery code is five groups of five, with hyphens between them.")
            )
        return typed


@dataclass(frozen=True, slots=True)
class Pending:
    """Somebody whose password was right, and who is signed in once they give their second factor."""

    user: User
    onward: str


def enter(request: HttpRequest, user: User, onward: str) -> HttpResponse:
    """After the right password: ask for the second factor, or for setting one up where it is needed, or let them in."""
    has_one = found.has_second_factor(user.id)
    if not has_one and not found.needs_second_factor(user):
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


def _pending(request: HttpRequest) -> Pending | None:
    """Whose second factor is waited for; None when that is over, or the password was changed since."""
    said = request.session.get(PENDING)
    if said is None or clock.now() - datetime.fromisoformat(said["at"]) >= PENDING_FOR:
        return None
    try:
        user = queries.get_user(UUID(said["user"]))
    except User.DoesNotExist:
        return None
    holds = user.is_active and constant_time_compare(user.get_session_auth_hash(), said["password"])
    return Pending(user, said["onward"]) if holds else None


def _over(request: HttpRequest) -> HttpResponse:
    """Nobody's second factor is waited for: to the sign-in, with a word on why if one was until lately."""
    said = request.session.pop(PENDING, None)
    if said is None:
        return redirect("sign-in")
    return render(request, "accounts/second_factor_over.html", {"onward": said["onward"]}, status=403)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def second_factor(request: HttpRequest) -> HttpResponse:
    """The second step of the sign-in: a code of the authenticator, or a recovery code."""
    pending = _pending(request)
    if pending is None:
        return _over(request)
    if not found.has_second_factor(pending.user.id):
        # Reset since the password was given.
        return enter(request, pending.user, pending.onward)
    page: dict[str, Any] = {
        "person": pending.user,
        "form": CodeForm(is_first=True),
        "recovery": RecoveryForm(),
    }
    if request.method != "POST":
        return render(request, "accounts/second_factor.html", page)
    by_recovery = "recovery" in request.POST
    form: Any = RecoveryForm(request.POST) if by_recovery else CodeForm(request.POST, is_first=True)
    page["recovery" if by_recovery else "form"] = form
    if not form.is_valid():
        return render(request, "accounts/second_factor.html", page, status=422)
    try:
        given = commands.give(user_id=pending.user.id, typed=form.typed)
    except Refusal as refusal:
        return _refused(request, "accounts/second_factor.html", page, form, refusal)
    onward = _own_page(pending.user) if given.by_recovery_code else ""
    return _let_in(request, pending, onward or pending.onward)


def _refused(
    request: HttpRequest, template: str, page: dict[str, Any], form: forms.Form, refusal: Refusal
) -> HttpResponse:
    say(form, refusal)
    answer = render(request, template, page, status=refusal.status)
    if isinstance(refusal, TooMany):
        answer["Retry-After"] = str(refusal.retry_after_seconds)
    return answer


def _let_in(request: HttpRequest, pending: Pending, onward: str) -> HttpResponse:
    answer = let_in(request, pending.user, onward)
    request.session[PROVEN] = clock.now().isoformat()
    return answer


def _own_page(user: User) -> str:
    """Where who used a recovery code sees how many are left, and sets up another authenticator; "" without an operator."""
    member_of = queries.memberships_of(user.id)
    return reverse("own-second-factor", kwargs={"slug": member_of[0].slug}) if member_of else ""


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def set_up(request: HttpRequest) -> HttpResponse:
    """The second step of the first sign-in of who needs a second factor: set one up, and be let in by its first code."""
    pending = _pending(request)
    if pending is None:
        return _over(request)
    if found.has_second_factor(pending.user.id):
        # Set up in another window meanwhile. Whoever knows only the password does not replace it.
        return redirect("second-factor")
    page: dict[str, Any] = {"person": pending.user, "is_signing_in": True}
    codes = _set_up(request, pending.user, page)
    if codes is None:
        return render(request, "accounts/second_factor_set_up.html", page, status=page["status"])
    answer = _let_in(request, pending, reverse("recovery-codes"))
    _keep_codes(request, pending.user.id, codes, pending.onward)
    return answer


def _set_up(request: HttpRequest, user: User, page: dict[str, Any]) -> list[str] | None:
    """The recovery codes of who gave the first code right; None while the page is to be shown, for which it fills in ``page``."""
    sealed, is_new = _secret_in_session(request, user.id)
    form = CodeForm(request.POST if request.method == "POST" else None)
    page.update(form=form, status=200)
    if form.is_bound:
        page["status"] = 422
        if is_new:
            form.add_error(
                None, _("The picture from before is over. Take the one below into your authenticator.")
            )
        elif form.is_valid():
            try:
                # Who knows the password alone never takes the place of what is there; nor is this session anybody's yet.
                is_in = request.user.is_authenticated
                codes = commands.set_up(
                    user_id=user.id,
                    sealed=sealed,
                    typed=form.typed,
                    replaces=is_in,
                    session_key=(request.session.session_key or "") if is_in else "",
                )
            except Refusal as refusal:
                say(form, refusal)
                page["status"] = refusal.status
            else:
                request.session.pop(SETTING_UP, None)
                return codes
    secret = commands.secret_in(user.id, sealed)
    address = rules.address_of(secret, SERVICE, user.email)
    page.update(address=address, picture=rules.picture_of(address), secret=rules.text_of(secret))
    return None


def _secret_in_session(request: HttpRequest, user_id: UUID) -> tuple[str, bool]:
    """The sealed secret that this session sets up, the same until it is confirmed; and whether it is a new one."""
    said = request.session.get(SETTING_UP)
    if said and said["user"] == str(user_id) and _is_fresh(said):
        return said["sealed"], False
    sealed = commands.new_secret(user_id)
    request.session[SETTING_UP] = {
        "user": str(user_id),
        "sealed": sealed,
        "at": clock.now().isoformat(),
    }
    return sealed, True


def _is_fresh(said: dict[str, str]) -> bool:
    return clock.now() - datetime.fromisoformat(said["at"]) < _KEPT_FOR


def _keep_codes(request: HttpRequest, user_id: UUID, codes: list[str], onward: str) -> None:
    """Until the page that shows them was answered."""
    request.session[CODES] = {
        "sealed": commands.sealed_codes(user_id, codes),
        "at": clock.now().isoformat(),
        "onward": onward,
    }


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def recovery_codes(request: HttpRequest) -> HttpResponse:
    """New recovery codes, until their person says that they have them, and for an hour at the most."""
    if not request.user.is_authenticated:
        return redirect("sign-in")
    said = request.session.get(CODES)
    if said is None:
        return redirect("choose-operator")
    if request.method == "POST":
        del request.session[CODES]
        return redirect(said["onward"])
    codes = commands.codes_in(request.user.id, said["sealed"]) if _is_fresh(said) else None
    if codes is None:
        del request.session[CODES]
        return redirect(said["onward"])
    return render(request, "accounts/recovery_codes.html", {"codes": "\n".join(codes)})


@operator_page(Permission.OWN_SETTINGS, recent=True)
def own(request: OperatorRequest) -> HttpResponse:
    """Whether one signs in with a second factor, and what can be done about it."""
    factor = found.second_factor_of(request.user.id)
    left = found.recovery_codes_left(request.user.id)
    since = factor.confirmed_at if factor else None
    page = {
        "factor": factor,
        "since": clock.local_date(since, request.operator.zone) if since else None,
        "is_needed": found.needs_second_factor(request.user),
        "codes_left": left,
        "are_few": left <= rules.FEW_LEFT,
    }
    return render(request, "accounts/second_factor_own.html", page)


@operator_page(Permission.OWN_SETTINGS, "GET", "HEAD", "POST", recent=True)
def set_up_own(request: OperatorRequest) -> HttpResponse:
    """A first authenticator, or another in place of the one before, which serves until then."""
    page: dict[str, Any] = {"person": request.user, "is_signing_in": False}
    codes = _set_up(request, request.user, page)
    if codes is None:
        return render(request, "accounts/second_factor_set_up.html", page, status=page["status"])
    request.session.cycle_key()
    request.session[PROVEN] = clock.now().isoformat()
    return _show_codes(request, codes)


@operator_page(Permission.OWN_SETTINGS, "POST", recent=True)
def renew_recovery_codes(request: OperatorRequest) -> HttpResponse:
    codes = commands.renew_recovery_codes(
        user_id=request.user.id, session_key=request.session.session_key or ""
    )
    return _show_codes(request, codes)


def _show_codes(request: OperatorRequest, codes: list[str]) -> HttpResponse:
    _keep_codes(
        request, request.user.id, codes, reverse("own-second-factor", kwargs={"slug": request.operator.slug})
    )
    return redirect("recovery-codes")


@operator_page(Permission.OWN_SETTINGS, "POST", recent=True)
def remove_own(request: OperatorRequest) -> HttpResponse:
    commands.remove(user_id=request.user.id, session_key=request.session.session_key or "")
    request.session.pop(PROVEN, None)
    return redirect("own-second-factor", slug=request.operator.slug)
